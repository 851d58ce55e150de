"""[calibration]: what commissioning found, as it stands among the rig's settings.

`linehold run` fills it from the stored results; a rig file may state it by hand. Zeros of the
tilt, the valves' means and the gains have their own keys in the other tables.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from firmware_py.messages import Side
from firmware_py.schema import Crossed, Part, View

SideWord = Annotated[Side, Field(strict=False)]
ElementZero = Annotated[float, Field(ge=-50, le=50)]
ElementScale = Annotated[float, Field(ge=0.9, le=1.1)]


class Elements(Part):
    """One bar's elements: a reading is true + zero + (scale - 1)(true - middle)."""

    middle_mm: float = Field(ge=50, le=3000, description="range at which the zeros hold")
    zero_mm: list[ElementZero] = Field(
        min_length=3, max_length=9, description="by element, -50 to 50"
    )
    scale: list[ElementScale] = Field(
        min_length=3, max_length=9, description="by element, 0.9 to 1.1"
    )


class OneValve(Part):
    """One valve and its cylinder, in place of what [valves] says of both."""

    up_mm_s: float = Field(ge=10, le=500)
    down_mm_s: float = Field(ge=10, le=500)
    overlap_up_pct: float = Field(ge=0, le=60)
    overlap_down_pct: float = Field(ge=0, le=60)
    cylinder_mm: float = Field(ge=50, le=2500, description="off the blade's middle")
    least_up_ms: float = Field(default=0, ge=0, le=1000)
    least_down_ms: float = Field(default=0, ge=0, le=1000)
    lost_up_ms: float = Field(default=0, ge=-500, le=500)
    lost_down_ms: float = Field(default=0, ge=-500, le=500)


class Slope(Part):
    """The last slope check."""

    temperature_c: float = Field(ge=-60, le=120, description="of the inertial sensor")
    age_h: float = Field(default=0, ge=0, le=1e5, description="engaged hours since, at the start")


class Calibration(Part):
    """What was found, and whether a simulated device needs it too."""

    required: bool = Field(default=False, description="of simulated devices too")
    bars: dict[SideWord, Elements] = Field(default_factory=dict)
    valves: dict[SideWord, OneValve] = Field(default_factory=dict)
    slope: Slope | None = None
    no_string: dict[SideWord, str] = Field(default_factory=dict)  # why it may not be followed


def lists_of_elements(rig: View) -> Iterator[Crossed]:
    """Zeros and scales are as many as the bar has elements, and of a bar that is there."""
    for side in rig.tables("calibration.bars"):
        table = f"calibration.bars.{side}"
        if rig.lacks("bars", side):
            yield Crossed((table,), f"the {side} end has no bar; add [bars.{side}]")
            continue
        for key in (f"{table}.zero_mm", f"{table}.scale"):
            match rig.known(key, f"bars.{side}.elements"):
                case [list(values), int(count)] if len(values) != count:
                    words = f"{len(values)} values for {count} elements; one each is right"
                    yield Crossed((key, f"bars.{side}.elements"), words)


def both_valves(rig: View) -> Iterator[Crossed]:
    """Both valves or none, and only of valves that are there."""
    there = rig.tables("calibration.valves")
    if len(there) == 1:
        words = "one valve alone; [calibration.valves.left] and .right go together"
        yield Crossed((f"calibration.valves.{there[0]}",), words)
    if there and rig.get("valves") is None:
        yield Crossed(("calibration.valves",), "this rig has no valves; add [valves]")


def pulses_move(rig: View) -> Iterator[Crossed]:
    """An on/off valve's pulses are long enough to move something."""
    if rig.get("valves") is None or rig.get("valves.pulsed") is not True:
        return
    for side in rig.tables("calibration.valves"):
        for key in ("least_up_ms", "least_down_ms", "lost_up_ms", "lost_down_ms"):
            where = f"calibration.valves.{side}.{key}"
            match rig.known(where, "valves.pulse_ms"):
                case [found, pulse] if found > pulse or (key.startswith("lost") and found == pulse):
                    words = (
                        f"{found:g} is not below valves.pulse_ms, {pulse:g}: no pulse would move"
                    )
                    yield Crossed((where, "valves.pulse_ms"), words)
