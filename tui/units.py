"""Numbers with their units for the screen, and typed readings back to SI.

Inside all is m, m/s and ratios. 1 in = 25.4 mm and 1 ft = 0.3048 m exactly (NIST SP 811).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from enum import StrEnum

from firmware_py.errors import LineholdError, shown

NOT_KNOWN = "not known"
INCH = 0.0254  # m
FOOT = 0.3048  # m
LEVEL = 5e-5  # a slope that 1:n calls level: 1:20000
MOST = 100.0  # m; a longer reading is a slip of the finger


class ReadingError(LineholdError, ValueError):
    """A typed reading that is no number, or has a unit that is not known."""


class System(StrEnum):
    """In what lengths are shown."""

    METRIC = "metric"
    US = "us"


class Fall(StrEnum):
    """How a crossfall is shown."""

    PERCENT = "percent"
    ONE_IN = "1:n"
    DEGREES = "degrees"


@dataclass(frozen=True, slots=True)
class Kind:
    """A unit: what one of it is in SI, its name, and the decimals shown."""

    one: float
    name: str
    decimals: int


HEIGHT = {System.METRIC: Kind(0.001, "mm", 1), System.US: Kind(INCH, "in", 2)}
DISTANCE = {System.METRIC: Kind(1.0, "m", 1), System.US: Kind(FOOT, "ft", 1)}
SPEED = {System.METRIC: Kind(1.0, "m/s", 2), System.US: Kind(FOOT, "ft/s", 2)}
LENGTHS = {
    "mm": 0.001, "cm": 0.01, "m": 1.0, "in": INCH, '"': INCH, "ft": FOOT, "'": FOOT,
}  # fmt: skip
_NUMBER = r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))"
_LENGTH = re.compile(_NUMBER + r"\s*([a-z'\"]*)")
_RATIO = re.compile(r"([+-]?)\s*1\s*:\s*(\d+(?:[.,]\d*)?)")
_SLOPE = re.compile(_NUMBER + r"\s*(%|deg|degrees|°)?")


@dataclass(frozen=True, slots=True)
class Units:
    """What one driver reads. None is told as "not known"."""

    system: System = System.METRIC
    fall: Fall = Fall.PERCENT

    @property
    def other(self) -> Units:
        """With the other system of lengths."""
        return replace(self, system=System.US if self.system is System.METRIC else System.METRIC)

    @property
    def height_unit(self) -> str:
        return HEIGHT[self.system].name

    def height_number(self, metres: float | None, *, signed: bool = False) -> str:
        """A height without its unit: '4.0', '+0.16'."""
        return _number(metres, HEIGHT[self.system], signed)

    def height(self, metres: float | None, *, signed: bool = False) -> str:
        """'4.0 mm' or '0.16 in'."""
        return _with_unit(metres, HEIGHT[self.system], signed)

    def height_rough(self, metres: float | None) -> str:
        """A height for a cue: '4 mm' or '0.2 in'; no sign."""
        kind = HEIGHT[self.system]
        size = None if metres is None else abs(metres)
        return _with_unit(size, replace(kind, decimals=kind.decimals - 1), False)

    def distance(self, metres: float | None) -> str:
        """'12.4 m' or '40.7 ft'."""
        return _with_unit(metres, DISTANCE[self.system], False)

    def speed(self, mps: float | None) -> str:
        """'0.50 m/s' or '1.64 ft/s'."""
        return _with_unit(mps, SPEED[self.system], False)

    def crossfall(self, ratio: float | None, *, signed: bool = False) -> str:
        """'2.00 %', '1:50.0' or '1.15 deg'; > 0 falls to the right."""
        if ratio is None or not math.isfinite(ratio):
            return NOT_KNOWN
        if self.fall is Fall.PERCENT:
            return _with_unit(ratio, Kind(0.01, "%", 2), signed)
        if self.fall is Fall.DEGREES:
            return _with_unit(math.degrees(math.atan(ratio)), Kind(1.0, "deg", 2), signed)
        if abs(ratio) < LEVEL:
            return "level"
        sign = "-" if ratio < 0 else "+" if signed else ""
        return f"{sign}1:{abs(1 / ratio):.1f}"

    def falls(self, ratio: float | None) -> str:
        """A crossfall with the side to which it falls: '2.00 % to the right'."""
        words = self.crossfall(None if ratio is None else abs(ratio))
        if ratio is None or not math.isfinite(ratio) or abs(ratio) < LEVEL:
            return words
        return f"{words} to the {'right' if ratio > 0 else 'left'}"

    def read_height(self, text: str) -> float:
        """'152', '152 mm' or '6.0 in' as m; without a unit it is mm or in. ReadingError."""
        return read_length(text, HEIGHT[self.system])

    def read_crossfall(self, text: str) -> float:
        """'2', '2 %', '1:50', '1.15 deg' as a ratio; a bare number as it is shown. ReadingError."""
        bare = "deg" if self.fall is Fall.DEGREES else "%"
        return read_slope(text, bare)


def _number(value: float | None, kind: Kind, signed: bool) -> str:
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    text = f"{value / kind.one:{'+' if signed else ''}.{kind.decimals}f}"
    return text.lstrip("+-") if float(text) == 0.0 else text  # nothing has no sign


def _with_unit(value: float | None, kind: Kind, signed: bool) -> str:
    text = _number(value, kind, signed)
    return text if text == NOT_KNOWN else f"{text} {kind.name}"


def read_length(text: str, bare: Kind) -> float:
    """A typed length as m; `bare` is the unit of a bare number. A comma is a decimal point."""
    match = _LENGTH.fullmatch(text.strip().lower())
    if match is None:
        raise ReadingError(_no_length(text, bare))
    number, unit = match.groups()
    if unit and unit not in LENGTHS:
        raise ReadingError(f"{unit} is no unit of length here; mm, cm, m, in or ft is right")
    metres = _float(number) * (LENGTHS[unit] if unit else bare.one)
    if abs(metres) > MOST:
        raise ReadingError(f"{text.strip()} is more than {MOST:.0f} m; look at number and unit")
    return metres


def _no_length(text: str, bare: Kind) -> str:
    if not text.strip():
        return f"nothing is typed; a number is right, in {bare.name} or with its unit"
    return f"{shown(text.strip())} is no length; a number is right, such as 152mm or 6.0in"


def read_slope(text: str, bare: str) -> float:
    """A typed crossfall as a ratio; `bare` is the unit of a bare number: "%" or "deg"."""
    words = text.strip().lower()
    if match := _RATIO.fullmatch(words):
        run = _float(match[2])
        if run > 0:
            return (-1.0 if match[1] == "-" else 1.0) / run
    elif match := _SLOPE.fullmatch(words):
        value, unit = _float(match[1]), match[2] or bare
        if unit == "%":
            return value / 100.0
        if abs(value) < 45.0:
            return math.tan(math.radians(value))
    raise ReadingError(f"{shown(text.strip())} is no crossfall; 2 %, 1:50 or 1.15 deg is right")


def _float(text: str) -> float:
    return float(text.replace(",", "."))
