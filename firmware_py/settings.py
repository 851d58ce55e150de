"""The rig file: what the builder of a rig states, each value with its range.

Files are an edge of the program: here lengths are mm and angles degrees, and every key carries
its unit; the blocks multiply by MM and DEG. Crossed limits are checked here as well,
so that a Rig that exists is a Rig that may move.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from firmware_py.calibration import Calibration, both_valves, lists_of_elements, pulses_move
from firmware_py.messages import BAR_GUIDES, Guide, Side
from firmware_py.schema import UNKNOWN, Crossed, Part, View
from firmware_py.settings_bars import AnyBar, Bar
from firmware_py.settings_devices import (
    AnyDriver,
    AnyInertial,
    AnyMotion,
    AnyThermometer,
    Board,
    Driver,
    Gnss,
    Inertial,
    Motion,
    Thermometer,
)
from firmware_py.settings_kinds import SIMULATED, DeviceName, Pin
from firmware_py.settings_valves import AnyValves, Valves

__all__ = [
    "DEG", "MM", "SIMULATED", "Bar", "Board", "Driver", "Gnss", "Inertial", "Motion", "Rig",
    "Thermometer", "Valves",
]  # fmt: skip

MM = 1e-3
DEG = math.pi / 180

# Strict about numbers ("5", true and 5.0 are no whole number), yet a choice is given by its word.
SideWord = Annotated[Side, Field(strict=False)]
GuideWord = Annotated[Guide, Field(strict=False)]


class Blade(Part):
    """The cutting edge and where it stands."""

    width_mm: float = Field(ge=300, le=4000)
    ahead_mm: float = Field(ge=-4000, le=4000, description="ahead of the track centre")


class Tracks(Part):
    """What the machine stands on: the ground's motion is foreseen from it."""

    length_mm: float = Field(default=1400, ge=200, le=5000, description="contact length")
    gauge_mm: float = Field(default=1200, ge=200, le=4000, description="middle to middle")


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


class Ignition(Part):
    """The input that says whether the machine's ignition is on; a pin of the computer's header."""

    pin: Pin | None = Field(default=None, description="to ground while it is on; none: not sensed")
    off_s: float = Field(default=3, ge=0.5, le=60, description="off for so long ends the run")


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


DEVICES = ("inertial", "air", "motion", "driver", "valves", "gnss")  # tables of one device


def _tables(rig: View) -> list[str]:
    """Dotted names of all tables of devices."""
    return [*(f"bars.{side}" for side in rig.tables("bars")), *DEVICES]


def _named_once(rig: View) -> Iterator[Crossed]:
    taken: dict[str, str] = {}
    for table in _tables(rig):
        for name in rig.known(f"{table}.device"):
            if name in taken:
                words = f'"{name}" is named twice, by {taken[name]} as well; each device once'
                yield Crossed((f"{table}.device",), words)
            taken.setdefault(name, f"{table}.device")


def _boards(rig: View) -> Iterator[Crossed]:
    """Every board that a device names is there; one board has one of each kind of device."""
    taken: dict[str, str] = {}
    for table in _tables(rig):
        by_lease = rig.get(f"{table}.lease") == "board"
        for name in rig.known(f"{table}.on") if by_lease or _is_board(rig, table) else ():
            if rig.lacks("boards", name):
                words = f'"{name}" is no board of this file; add [boards.{name}]'
                because = "lease" if by_lease else "kind"
                yield Crossed((f"{table}.on", f"{table}.{because}"), words)
            if not table.startswith("bars."):
                continue
            if name in taken:
                words = f'"{name}" has one bar, and that is {taken[name]}; add another board'
                yield Crossed((f"{table}.on", f"{table}.kind"), words)
            taken.setdefault(name, table)


def _is_board(rig: View, table: str) -> bool:
    return bool(rig.get(f"{table}.kind") == "board")


def _wires_once(rig: View) -> Iterator[Crossed]:
    """No pin and no port does two things; pins 2 and 3 are the first I2C bus when it is used."""
    taken: dict[object, str] = {}
    tables = [*_tables(rig), *(f"boards.{name}" for name in rig.tables("boards"))]
    tables.append("ignition")
    if any(rig.get(f"{table}.bus") == "/dev/i2c-1" for table in tables):
        taken |= dict.fromkeys((2, 3), "the bus /dev/i2c-1")
    for table in tables:
        for key, told in WIRES.items():
            for found in rig.known(f"{table}.{key}"):
                for wire in found if isinstance(found, list) else [found]:
                    if taken.get(wire, f"{table}.{key}") != f"{table}.{key}":
                        words = f"{wire} is taken by {taken[wire]} as well; each {told} once"
                        yield Crossed((f"{table}.{key}",), words)
                    elif wire is not None:
                        taken[wire] = f"{table}.{key}"


WIRES = {
    "enable_pin": "pin", "left_pins": "pin", "right_pins": "pin", "hand_pins": "pin",
    "pin_a": "pin", "pin_b": "pin", "relay_pin": "pin", "pin": "pin",
    "port": "port", "ports": "port",
}  # fmt: skip


def _addresses_once(rig: View) -> Iterator[Crossed]:
    """No two chips at one address of a bus."""
    taken: dict[tuple[object, object], str] = {}
    for table in _tables(rig):
        for key in ("address", "addresses"):
            for bus, found in _pairs(rig, table, key):
                for address in found if isinstance(found, list) else [found]:
                    place = taken.setdefault((bus, address), table)
                    if place != table:
                        words = f"0x{address:02X} on {bus} is taken by {place} as well"
                        yield Crossed((f"{table}.{key}", f"{table}.kind"), words)


def _pairs(rig: View, table: str, key: str) -> list[tuple[str, Any]]:
    match rig.known(f"{table}.bus", f"{table}.{key}"):
        case [bus, found]:
            return [(bus, found)]
    return []


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

    checks = (
        _named_once, _boards, _wires_once, _addresses_once, _guides, _gate_in_reach, _limits,
        lists_of_elements, both_valves, pulses_move,
    )  # fmt: skip

    name: str = Field(min_length=1, max_length=60)
    blade: Blade
    tracks: Tracks = Tracks()
    bars: dict[SideWord, AnyBar] = Field(min_length=1)
    inertial: AnyInertial
    air: AnyThermometer
    motion: AnyMotion
    driver: AnyDriver
    valves: AnyValves | None = None
    gnss: Gnss | None = None
    boards: dict[DeviceName, Board] = Field(default={})
    limits: Limits = Limits()
    gate: Gate = Gate()
    left: End
    right: End
    control: Control = Control()
    check: CheckLevels = CheckLevels()
    calibration: Calibration = Calibration()
    ignition: Ignition = Ignition()

    def end(self, side: Side) -> End:
        return self.left if side is Side.LEFT else self.right
