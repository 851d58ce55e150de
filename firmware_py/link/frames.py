"""What passes over the link: one frame a datagram, a kind and its payload in MessagePack.

SI units as in messages. A frame is [kind, payload]; whoever reads one checks it against the
payload's type, and what does not fit is counted and dropped.
"""

from __future__ import annotations

import msgspec

from firmware_py.messages import SCHEMA, Answer, AnyRequest, Side, Tick

VERSION = 1  # of the frames themselves; the messages' own is SCHEMA
MOST = 16 * 1024  # bytes of one frame; a tick has some 800
FRESH_S = 0.3  # a number older than this is not shown as fresh


class BarInfo(msgspec.Struct, frozen=True, array_like=True):
    """One bar as the rig file has it: elements along it (left > 0), reach and place, m and rad."""

    end: Side
    positions_m: tuple[float, ...]
    reach_near_m: float
    reach_far_m: float
    outside_m: float
    above_m: float
    beam_half_angle: float
    turned: bool


class Range(msgspec.Struct, frozen=True, array_like=True):
    """Smallest and largest value that the controller takes."""

    least: float
    most: float


class Bounds(msgspec.Struct, frozen=True, array_like=True):
    """The ranges of what can be set on the go, m and ratios."""

    nudge: Range
    offset: Range
    crossfall_nudge: Range
    crossfall: Range
    gate: Range
    dead_band: Range
    check_tolerance_m: float
    engage_error_m: float


class Hello(msgspec.Struct, frozen=True, array_like=True, tag="hello"):
    """The loop's first frame to a listener: what it is, and what its ticks do not say."""

    version: int
    schema: int
    rig: str
    simulated: bool
    has_valves: bool
    recording: str
    started_s: float  # on the loop's clock, which all processes of the computer share
    tick_hz: float
    width_m: float
    master: Side
    bars: tuple[BarInfo, ...]
    bounds: Bounds
    may_ask: bool
    realtime: tuple[str, ...] = ()  # what was permitted of real time, and what not
    dead_s: float = 0.0  # of the valves, as the rig file has it
    real: tuple[str, ...] = ()  # tables of the rig file whose devices are not simulated


class Beat(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="tick"):
    """One tick, how late it came, how long the one before took (s), deadlines missed so far;
    dropped: frames that listeners were too slow for, all together."""

    tick: Tick
    late_s: float
    work_s: float
    missed: int
    dropped: int


class Device(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One device: age of its last usable sample (None: none yet), samples a second, refusals.

    what: of a real device, which one it is and what its driver has counted.
    """

    name: str
    age_s: float | None
    rate_hz: float
    dropped: int
    why: str
    what: str = ""


class Devices(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="devices"):
    """All devices, once a second."""

    time_s: float
    devices: tuple[Device, ...]


class Host(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="host"):
    """What the keeper of the run knows of the computer and the recording, every few seconds.

    None: not known here. loop_health: minimum variance / variance over the last minute, left and
    right, at the rig file's dead time.
    """

    time_s: float
    recording: str  # '' when all is well, else what is wrong
    recorded_bytes: int
    disk_free_bytes: int | None
    temperature_c: float | None
    power: str  # '' when all is well, or not known here
    realtime: tuple[str, ...]
    loop_health: tuple[float | None, float | None]
    health_s: float  # length of the record behind it


class Note(msgspec.Struct, frozen=True, array_like=True, tag="note"):
    """A sentence for the driver."""

    text: str


class Told(msgspec.Struct, frozen=True, array_like=True, tag="answer"):
    """The answer to a request of this listener, by its own number."""

    answer: Answer


class Bye(msgspec.Struct, frozen=True, array_like=True, tag="bye"):
    """The last frame: why nothing more comes."""

    why: str


FromLoop = Hello | Beat | Devices | Host | Note | Told | Bye


class Join(msgspec.Struct, frozen=True, array_like=True, tag="join"):
    """A listener's first frame. looks: it will ask for nothing, and is refused if it does.

    keeper: the word that the run's own keeper was given, for what only it may send.
    """

    version: int
    schema: int
    name: str
    looks: bool
    keeper: str = ""


class Ask(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="ask"):
    """A request to the controller; its number is the listener's own."""

    request: AnyRequest


class Drive(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="drive"):
    """Simulated rig alone: the simulated person drives at this speed; None: by itself again."""

    number: int
    speed_mps: float | None


class Lever(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="lever"):
    """Simulated rig alone: a hand on an end's lever, -1..1, > 0 raises; None lets go."""

    number: int
    end: Side
    lever: float | None


class HoldEnable(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="enable"):
    """Simulated rig alone: the enable input is held or let go."""

    number: int
    on: bool


class Stop(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="stop"):
    """End the run: valves neutral, recording closed."""

    number: int
    why: str = "stopped at a dashboard"


class Begin(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="begin"):
    """Simulated rig alone: the cautions were read; the simulated driver may begin."""

    number: int


Bench = Drive | Lever | HoldEnable | Begin
FromListener = Join | Ask | Drive | Lever | HoldEnable | Begin | Stop | Host | Note


def join(name: str, *, looks: bool = False, keeper: str = "") -> Join:
    """The first frame of a listener of this version."""
    return Join(VERSION, SCHEMA, name, looks, keeper)
