"""The rig file: what the builder of a rig states, each value with its range.

Files are an edge of the program: here lengths are mm and angles degrees, and every key carries
its unit; the blocks multiply by MM and DEG. Crossed limits are checked here as well,
so that a Rig that exists is a Rig that may move.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from firmware_py.calibration import Calibration, both_valves, lists_of_elements
from firmware_py.messages import BAR_GUIDES, Guide, Side
from firmware_py.schema import UNKNOWN, Crossed, Part, View

MM = 1e-3
DEG = math.pi / 180

DeviceName = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9_.-]*$")]


# Strict about numbers ("5", true and 5.0 are no whole number), yet a choice is given by its word.
SideWord = Annotated[Side, Field(strict=False)]
GuideWord = Annotated[Guide, Field(strict=False)]


class Blade(Part):
    """The cutting edge and where it stands."""

    width_mm: float = Field(ge=300, le=4000)
    ahead_mm: float = Field(ge=-4000, le=4000, description="ahead of the track centre")


def _reach(bar: View) -> Iterator[Crossed]:
    match bar.known("reach_near_mm", "reach_far_mm"):
        case [near, far] if near >= far:
            words = f"{near:g} is not below reach_far_mm, {far:g}"
            yield Crossed(("reach_near_mm", "reach_far_mm"), words)


def _reflector(bar: View) -> Iterator[Crossed]:
    match bar.known("reflector_mm", "reflector_element"):
        case [_, None] | [None, _] as pair if pair != [None, None]:
            words = "reflector_mm and reflector_element go together; give both or neither"
            yield Crossed(("reflector_mm", "reflector_element"), words)
    match bar.known("reflector_element", "elements"):
        case [int(element), elements] if element >= elements:
            words = f"{element} names no element; 0 to {elements - 1} is right"
            yield Crossed(("reflector_element", "elements"), words)


class Tracks(Part):
    """What the machine stands on: the ground's motion is foreseen from it."""

    length_mm: float = Field(default=1400, ge=200, le=5000, description="contact length")
    gauge_mm: float = Field(default=1200, ge=200, le=4000, description="middle to middle")


class Bar(Part):
    """One bar of range elements beyond a blade end."""

    device: DeviceName
    kind: Literal["simulated"] = "simulated"
    elements: int = Field(default=5, ge=3, le=9)
    spacing_mm: float = Field(default=75, ge=20, le=300)
    outside_mm: float = Field(default=300, ge=0, le=1500, description="middle, off the blade end")
    ahead_mm: float = Field(default=0, ge=-2000, le=2000, description="middle, ahead of the edge")
    above_mm: float = Field(default=750, ge=100, le=3000, description="bar above the cutting edge")
    turned: bool = Field(default=False, description="elements stand along travel, for a surface")
    echoes: int = Field(default=3, ge=1, le=8, description="echoes that one firing can report")
    reach_near_mm: float = Field(default=200, ge=20, le=2000)
    reach_far_mm: float = Field(default=1500, ge=200, le=8000)
    beam_half_angle_deg: float = Field(default=12, ge=2, le=45)
    noise_mm: float = Field(default=1.0, ge=0.1, le=20, description="1 sigma at 600 mm")
    step_mm: float = Field(default=1.0, ge=0.01, le=20, description="quantisation of a range")
    frame_ms: float = Field(default=40, ge=5, le=1000, description="one firing of every element")
    latency_ms: float = Field(default=20, ge=0, le=200)
    reflector_mm: float | None = Field(default=None, ge=50, le=2000, description="fixed target")
    reflector_element: int | None = Field(default=None, ge=0, le=8)

    checks = (_reach, _reflector)


class Inertial(Part):
    """The inertial sensor on the blade."""

    device: DeviceName
    kind: Literal["simulated"] = "simulated"
    rate_hz: float = Field(default=200, ge=50, le=2000)
    ahead_mm: float = Field(default=1200, ge=-5000, le=5000, description="of the track centre")
    left_mm: float = Field(default=0, ge=-3000, le=3000, description="left of the track centre")
    zero_roll_deg: float = Field(default=0, ge=-15, le=15, description="reading on the level")
    zero_pitch_deg: float = Field(default=0, ge=-15, le=15)
    mount_yaw_deg: float = Field(default=0, ge=-10, le=10, description="sensor turned to the left")
    time_constant_s: float = Field(default=8, ge=1, le=60, description="of the gravity correction")


class Device(Part):
    """A device that needs no more than its name."""

    device: DeviceName
    kind: Literal["simulated"] = "simulated"


class Thermometer(Device):
    """The air thermometer; its housing follows the air late."""

    lag_s: float = Field(default=0, ge=0, le=300)


class Valves(Part):
    """The two lift valves."""

    device: DeviceName
    kind: Literal["simulated"] = "simulated"
    dead_time_ms: float = Field(ge=0, le=400)
    lag_ms: float = Field(ge=0, le=500)
    up_mm_s: float = Field(ge=10, le=500, description="of a blade end, both at full command")
    down_mm_s: float = Field(ge=10, le=500)
    overlap_pct: float = Field(ge=0, le=60)
    compensate_pct: float = Field(default=90, ge=0, le=100, description="share of it made up for")
    cylinder_left_mm: float = Field(default=600, ge=50, le=2500, description="off its middle")
    pulsed: bool = Field(default=False, description="on/off valves, pulsed")
    pulse_ms: float = Field(default=100, ge=20, le=1000)
    lease_ms: float = Field(default=200, ge=50, le=200)


class Limits(Part):
    """What automatic may do at most. The limiter and the guard read these and no others."""

    cap_mm_s: float = Field(default=60, ge=5, le=200, description="fastest automatic motion")
    approach_mm_s: float = Field(default=20, ge=2, le=100, description="closing a large error")
    engage_error_mm: float = Field(default=40, ge=2, le=200)
    coast_s: float = Field(default=0.3, ge=0, le=0.3)
    coast_mm: float = Field(default=200, ge=0, le=200)
    coast_sd_mm: float = Field(default=3, ge=0.5, le=3)
    hold_crossfall_pct: float = Field(default=0.5, ge=0.1, le=0.5)
    offset_mm: float = Field(default=150, ge=1, le=1000, description="furthest from the datum")
    crossfall_pct: float = Field(default=10, ge=0.5, le=20, description="steepest crossfall target")


class Gate(Part):
    """The range gate round the expected clearance."""

    near_mm: float = Field(default=40, ge=5, le=500)
    far_mm: float = Field(default=60, ge=5, le=500)


class CheckLevels(Part):
    """When the driver is asked for a check level, and how far off one may be."""

    tolerance_mm: float = Field(default=5, ge=1, le=50, description="beyond it: off")
    at: Literal["distance", "mark"] = Field(default="distance", description="or at each mark")
    every_m: float = Field(default=20, ge=0, le=500, description="of way; 0: never asked")


class End(Part):
    """What an end follows at the start."""

    guide: GuideWord
    edge_width_mm: float = Field(default=100, ge=5, le=1000)


class Control(Part):
    """Rates and gains. Gains left out are derived from the valves' dead time and lag."""

    tick_hz: float = Field(default=100, ge=50, le=200)
    dead_band_mm: float = Field(default=1.5, ge=0, le=20)
    dead_band_release_pct: float = Field(default=60, ge=10, le=100, description="corrects to here")
    gain_per_s: float | None = Field(default=None, ge=0.1, le=25)
    integral_s: float | None = Field(default=None, ge=0.1, le=600)
    master: SideWord = Side.LEFT
    crossfall_pct: float = Field(default=0, ge=-20, le=20)
    against_chainage: bool = False


def _named_once(rig: View) -> Iterator[Crossed]:
    taken: dict[str, str] = {}
    tables = [f"bars.{side}" for side in rig.tables("bars")]
    for table in [*tables, "inertial", "air", "motion", "driver", "valves"]:
        for name in rig.known(f"{table}.device"):
            if name in taken:
                words = f'"{name}" is named twice, by {taken[name]} as well; each device once'
                yield Crossed((f"{table}.device",), words)
            taken.setdefault(name, f"{table}.device")


def _guides(rig: View) -> Iterator[Crossed]:
    for side in Side:
        guide = rig.get(f"{side}.guide")
        if guide in BAR_GUIDES and rig.lacks("bars", side):
            yield Crossed((f"{side}.guide",), f'"{guide}" needs a bar; add [bars.{side}]')
    if rig.known("left.guide", "right.guide") == [Guide.FALL, Guide.FALL]:
        words = 'both ends follow "fall"; one of them must follow something else'
        yield Crossed(("right.guide", "left.guide"), words)
    master = rig.get("control.master")
    if master is not UNKNOWN and rig.lacks("bars", master):
        words = f'"{master}" has no bar; add [bars.{master}] or set control.master'
        yield Crossed(("control.master",), words)


def _gate_in_reach(rig: View) -> Iterator[Crossed]:
    for side in rig.tables("bars"):
        reach = f"bars.{side}.reach_near_mm", f"bars.{side}.reach_far_mm"
        match rig.known("gate.near_mm", "gate.far_mm", *reach):
            case [near, far, nearest, furthest] if near + far > furthest - nearest > 0:
                words = (
                    f"the gate, {near:g} + {far:g}, is wider than the reach of bars.{side}, "
                    f"{nearest:g} to {furthest:g}"
                )
                yield Crossed(("gate.far_mm", "gate.near_mm", *reach), words)


def _limits(rig: View) -> Iterator[Crossed]:
    match rig.known("control.crossfall_pct", "limits.crossfall_pct"):
        case [target, limit] if abs(target) > limit:
            words = f"{target:g} is beyond limits.crossfall_pct, {limit:g}"
            yield Crossed(("control.crossfall_pct", "limits.crossfall_pct"), words)
    match rig.known("limits.approach_mm_s", "limits.cap_mm_s"):
        case [approach, cap] if approach > cap:
            words = f"{approach:g} is above limits.cap_mm_s, {cap:g}"
            yield Crossed(("limits.approach_mm_s", "limits.cap_mm_s"), words)


class Rig(Part):
    """A whole rig file."""

    checks = (_named_once, _guides, _gate_in_reach, _limits, lists_of_elements, both_valves)

    name: str = Field(min_length=1, max_length=60)
    blade: Blade
    tracks: Tracks = Tracks()
    bars: dict[SideWord, Bar] = Field(min_length=1)
    inertial: Inertial
    air: Thermometer
    motion: Device
    driver: Device
    valves: Valves | None = None
    limits: Limits = Limits()
    gate: Gate = Gate()
    left: End
    right: End
    control: Control = Control()
    check: CheckLevels = CheckLevels()
    calibration: Calibration = Calibration()

    def end(self, side: Side) -> End:
        return self.left if side is Side.LEFT else self.right
