"""A Controller closed round the simulated rig for a few seconds, with hooks: for tests only.

The truth goes to the test, never to the controller. Times are seconds since the rig's first read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.samples import AnySample, ValveCommand
from drivers.simulated.reference import REFERENCE, RigTruth, with_bars
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.truth import Truth
from drivers.simulated.world import Reference, World
from firmware_py import messages as ask
from firmware_py.controller import Controller
from firmware_py.messages import Answer, AnyRequest, Guide, Mode, Side, Tick
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig

START_S = 500.0  # of the clock: a controller must not lean on 0
STAND_S = 2.5  # the machine stands, tilt and bars settle, before the datum
LEFT, RIGHT = Side.LEFT, Side.RIGHT
CALM = Reference(pins=False, spill=False, weight_n_per_m=0.0)  # nothing but the line itself
EDGE = replace(CALM, kind="edge", width_m=0.045)


@dataclass(frozen=True)
class Moment:
    """One tick: what was asked, believed and commanded, and where the blade truly was."""

    t: float
    tick: Tick
    command: ValveCommand
    truth: Truth


Hook = Callable[["Closed"], Iterable[AnyRequest] | None]
Wire = Callable[[float, list[AnySample]], list[AnySample]]


@dataclass
class Closed:
    """Controller and rig, tick by tick. `wire` stands between both, as a cable would."""

    controller: Controller
    sim: SimulatedRig
    wire: Wire = field(default=lambda _, samples: samples)
    log: list[Moment] = field(default_factory=list)
    t: float = 0.0
    number: int = 0

    @property
    def tick_s(self) -> float:
        return 1.0 / self.controller.rig.control.tick_hz

    @property
    def last(self) -> Moment:
        return self.log[-1]

    def step(self, *requests: AnyRequest, dt: float | None = None) -> Moment:
        """One tick, dt after the last one; the person steers by the cue."""
        self.t += self.tick_s if dt is None else dt
        now = START_S + self.t
        samples = self.wire(self.t, list(self.sim.read(now)))
        tick = self.controller.step(now, samples, requests)
        self.sim.write(self.controller.command)
        self.sim.person.cue(now, tick.steer_m)
        self.log.append(Moment(self.t, tick, self.controller.command, self.sim.truth()))
        return self.last

    def run(self, seconds: float, hook: Hook | None = None) -> list[Moment]:
        """Ticks for so long; hook is called before each and may ask for something."""
        first = len(self.log)
        for _ in range(round(seconds / self.tick_s)):
            self.step(*((hook(self) or ()) if hook else ()))
        return self.log[first:]

    def ask(self, kind: type[Any], *values: Any) -> Answer:
        """One request, and its answer."""
        self.number += 1
        tick = self.step(kind(self.number, *values)).tick
        return next(a for a in tick.answers if a.number == self.number)

    def start(self, speed: float = 0.5, *, drive_s: float = 3.0) -> Closed:
        """Stand, set each bar's datum, engage and drive. Asserts that nothing is refused."""
        self.sim.person.enable(True)
        self.run(STAND_S)
        rig = self.controller.rig
        for side in (s for s in rig.bars if rig.end(s).guide in ask.BAR_GUIDES):
            answer = self.ask(ask.SetDatum, side)
            assert answer.done, answer.reason
        if rig.valves is not None:
            answer = self.ask(ask.Engage)
            assert answer.done, answer.reason
        self.sim.person.drive(speed)
        self.run(drive_s)
        return self

    def until(self, what: Callable[[Moment], bool], most_s: float) -> float:
        """Seconds until something holds, counted from now; inf when it never does."""
        began = self.t
        while self.t - began < most_s:
            if what(self.step()):
                return self.t - began
        return math.inf


def rig_of(name: str = "reference", **control: Any) -> Rig:
    """A bundled rig with other values of its [control] table."""
    plain = load_rig(find_rig(name)).model_dump(mode="json")
    plain["control"] |= control
    return Rig.model_validate(plain)


def changed(rig: Rig, **tables: Any) -> Rig:
    """A rig with other tables, checked like a file."""
    return Rig.model_validate(rig.model_dump(mode="json") | tables)


def close(
    rig: Rig | None = None, *, seed: int = 1, truth: RigTruth = REFERENCE, **world: Any
) -> Closed:
    """Flat ground, a straight string without pins or sag, dead calm but for the sensors' noise."""
    rig = rig or rig_of()
    sides = {side: side in rig.bars for side in Side}
    truth = with_bars(truth, left=sides[LEFT], right=sides[RIGHT])
    given: dict[str, Any] = {
        "ground": "flat",
        "crossfall": rig.control.crossfall_pct / 100.0,
        "direction": "against" if rig.control.against_chainage else "with",
        "start_lateral_m": 0.0,
        **{s.value: beside(rig, s) for s in Side if sides[s]},
    }
    return Closed(Controller(rig), SimulatedRig(World(**(given | world)), truth, seed))


def beside(rig: Rig, side: Side) -> Reference:
    """What an end's guide wants to see."""
    return EDGE if rig.end(side).guide is Guide.EDGE else CALM


def error(moment: Moment, side: Side) -> float:
    """True height error against the design surface, m."""
    return moment.truth.left_error_m if side is LEFT else moment.truth.right_error_m


def valve(moment: Moment, side: Side) -> float:
    """The command to an end's valve."""
    return moment.command.left if side is LEFT else moment.command.right


def shut(moment: Moment) -> bool:
    """Both valves shut, and said so."""
    both = moment.command.left == 0.0 and moment.command.right == 0.0
    return both and moment.tick.mode is Mode.NEUTRAL
