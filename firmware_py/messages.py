"""The tick and the requests: all that the journal, a dashboard and a replay ever see.

SI units, radians, ratios; seconds on the loop's monotonic clock. Height error > 0: too high.
Lateral > 0: the reference lies to the left, steer left. Valve > 0 raises. None: not known.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from drivers.samples import AnySample

SCHEMA = 4  # raised whenever a field below changes its place or its meaning


class Side(StrEnum):
    """A blade end as the driver sees it facing the cutting direction; they never swap."""

    LEFT = "left"
    RIGHT = "right"

    other: Side
    sign: int  # +1 on the left (y > 0), -1 on the right


Side.LEFT.other, Side.RIGHT.other = Side.RIGHT, Side.LEFT
Side.LEFT.sign, Side.RIGHT.sign = 1, -1

SIDES = (Side.LEFT, Side.RIGHT)  # a tuple: to walk an enum costs a tick more than its sums
LEFT, RIGHT = SIDES  # for the tick: to look up a member costs it as much as a sum


class Guide(StrEnum):
    """What a blade end follows."""

    STRING = "string"
    EDGE = "edge"
    SURFACE = "surface"
    FALL = "fall"
    HOLD = "hold"
    BY_HAND = "by hand"


BAR_GUIDES = frozenset({Guide.STRING, Guide.EDGE, Guide.SURFACE})


class Mode(StrEnum):
    """The machine as a whole."""

    NEUTRAL = "neutral"  # both valves shut
    AUTO = "auto"
    CUE_ONLY = "cue only"  # the valves are off or absent; the driver follows the cues


class EndState(StrEnum):
    """What one end's valve does now."""

    NEUTRAL = "neutral"
    LED = "led"
    COAST = "coast"
    HOLD = "hold"
    BY_HAND = "by hand"
    OVERRIDE = "override"
    CUE = "cue"


class Use(StrEnum):
    """What became of an element's last firing."""

    USED = "used"
    GATED = "gated"
    OUTLIER = "outlier"
    SILENT = "silent"


class Link(StrEnum):
    """How a bar stands to its reference."""

    SEARCHING = "searching"
    TRACKING = "tracking"
    COASTING = "coasting"


class BarTick(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One bar: vertical clearance (m), lateral (m) with their sd, and each element's use.

    ranges_m: the nearest echo of each element's last firing, last_m the furthest one (the ground,
    beside a string). gate_m: the clearance round which the range gate stands. unseen_s: since the
    last echo that was used; None before the first.
    """

    end: Side
    link: Link
    clearance_m: float | None
    clearance_sd_m: float | None
    lateral_m: float | None
    lateral_sd_m: float | None
    ranges_m: tuple[float | None, ...]
    uses: tuple[Use, ...]
    unseen_s: float | None
    last_m: tuple[float | None, ...] = ()
    gate_m: float | None = None


class EndTick(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One blade end. cue_m > 0: raise by so much, < 0: lower; 0: on level; None: not known.

    datum_m: the end's height over its reference that is its target before the offset; state_s:
    how long the state has lasted; held: the driver asked for it to be held.
    """

    guide: Guide
    state: EndState
    why: str
    error_m: float | None
    error_sd_m: float | None
    predicted_m: float | None
    disturbance_mps: float
    rate_mps: float
    valve: float
    cue_m: float | None
    offset_m: float
    gain: float
    in_dead_band: bool
    capped: bool
    datum_m: float | None = None
    state_s: float = 0.0
    held: bool = False


LIFTED = "lifted"  # begins the words of the cut while both ends are up for an obstacle
REFUSED = "refused"  # how a transition stands that the driver does not want
IN_A_ROW = 2  # check levels beyond their tolerance: no chance any more, something is wrong


class Check(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A check level: what the driver measured at an end against what was believed there, m.

    wrong_m > 0: the end is higher than the controller believes; offset_m is the nudge that would
    put it right; in_a_row: how many checks in a row were beyond the tolerance, this one included;
    number counts the checks of a run.
    """

    end: Side
    distance_m: float | None
    measured_m: float
    expected_m: float
    wrong_m: float
    offset_m: float
    in_a_row: int
    number: int = 0


class Answer(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """What became of a request: done, or the reason why not."""

    number: int
    done: bool
    reason: str


class Tick(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """Everything that the controller did and believed at one instant.

    The last fields speak of the job, where one is followed: chainage of the cutting edge with its
    sd (None: not known), words of what is ahead and of the cut, how the next transition stands
    ('', 'ahead', 'running', 'refused'), what the schedule adds to both ends' targets and, since the
    start, to the crossfall target, and how far both ends are raised over that: over an obstacle,
    for a cut's limit, in an overload.
    """

    seq: int
    time_s: float
    mode: Mode
    why: str
    left: EndTick
    right: EndTick
    bars: tuple[BarTick, ...]
    crossfall: float | None
    crossfall_sd: float | None
    crossfall_target: float
    roll: float | None
    pitch: float | None
    crab: float | None
    steer_m: float | None
    speed_mps: float | None
    distance_m: float | None
    faults: tuple[str, ...]
    dropped: int
    answers: tuple[Answer, ...]
    engaged: bool = False
    gate_near_m: float = 0.0
    gate_far_m: float = 0.0
    dead_band_m: float = 0.0
    undo: str = ""  # what an Undo would take back
    check_due: bool = False
    check: Check | None = None  # the last one: a listener that misses a tick misses none
    chainage_m: float | None = None
    chainage_sd_m: float | None = None
    notice: str = ""
    cut: str = ""
    transition: str = ""
    job_offset_m: float = 0.0
    job_fall: float = 0.0
    raised_m: float = 0.0

    def end(self, side: Side) -> EndTick:
        return self.left if side is Side.LEFT else self.right


class Request(msgspec.Struct, frozen=True, array_like=True, gc=False, tag=True):
    """Base of all requests; number is the asker's own, and comes back in the answer."""

    number: int


class SetDatum(Request, frozen=True, gc=False, tag="datum"):
    """Take the present clearance of this end's bar as its target; the offset becomes 0.

    above_m: how far the blade, resting on the ground, stands over its target: a pin's cut.
    """

    end: Side
    above_m: float = 0.0


class Nudge(Request, frozen=True, gc=False, tag="nudge"):
    """Change an end's offset by step_m; > 0 raises the target."""

    end: Side
    step_m: float


class NudgeCrossfall(Request, frozen=True, gc=False, tag="nudge crossfall"):
    """Change the crossfall target by a ratio step; > 0 falls more to the right."""

    step: float


class SetGuide(Request, frozen=True, gc=False, tag="guide"):
    """Change what an end follows."""

    end: Side
    guide: Guide


class SetGate(Request, frozen=True, gc=False, tag="gate"):
    """Near and far half of the range gate, m."""

    near_m: float
    far_m: float


class SetDeadBand(Request, frozen=True, gc=False, tag="dead band"):
    """Half width of the dead band, m."""

    half_m: float


class Engage(Request, frozen=True, gc=False, tag="engage"):
    """Ask for automatic; refused with the reason unless every interlock allows it."""


class Disengage(Request, frozen=True, gc=False, tag="disengage"):
    """Both valves shut at once; automatic must be asked for anew."""


class HoldEnd(Request, frozen=True, gc=False, tag="hold end"):
    """Hold one end (on) or let it be led again (off)."""

    end: Side
    on: bool


class Undo(Request, frozen=True, gc=False, tag="undo"):
    """Take the last change of a target or a setting back; see Tick.undo."""


class CheckLevel(Request, frozen=True, gc=False, tag="check level"):
    """A staff or tape reading at a blade end, in m, larger for a lower end.

    expected_m: the reading that the end should have on its target; None: the tape hangs from the
    end's own reference, so that the controller knows it.
    """

    end: Side
    measured_m: float
    expected_m: float | None


class Mark(Request, frozen=True, gc=False, tag="mark"):
    """A note of the driver's that stands in the journal at this tick."""

    text: str


class MarkPin(Request, frozen=True, gc=False, tag="pin"):
    """The cutting edge stands at a pin of the job, the named one or the only one near."""

    name: str = ""


class RefuseTransition(Request, frozen=True, gc=False, tag="refuse transition"):
    """Stay on the old target at the transition that is ahead or running."""


class AcceptTransition(Request, frozen=True, gc=False, tag="accept transition"):
    """Follow a transition that was refused."""


AnyRequest = (
    SetDatum
    | Nudge
    | NudgeCrossfall
    | SetGuide
    | SetGate
    | SetDeadBand
    | Engage
    | Disengage
    | HoldEnd
    | Undo
    | CheckLevel
    | Mark
    | MarkPin
    | RefuseTransition
    | AcceptTransition
)


class Record(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One slot of the journal: what came in, at what time, and the tick that came out."""

    time_s: float
    samples: tuple[AnySample, ...]
    requests: tuple[AnyRequest, ...]
    tick: Tick
