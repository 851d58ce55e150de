"""Check levels: what the driver measures at a blade end, against what is believed there.

Readings are larger for a lower end, as a tape from the reference down or a levelling staff gives
them. Height errors > 0: too high.
"""

from __future__ import annotations

import math

from firmware_py.messages import IN_A_ROW, Check, Side
from firmware_py.settings import MM, CheckLevels

READING = 10.0  # m; no staff is longer
ROW = "check level off"


class Levels:
    """`take` a reading; `due` says when the next one is asked for."""

    STATE = ("in_a_row", "checked_m", "marked", "check", "count")

    def __init__(self, settings: CheckLevels) -> None:
        self.settings = settings
        self.in_a_row = 0
        self.checked_m: float | None = None  # of the way, at the last check or the first metre
        self.marked = False
        self.check: Check | None = None  # the last one
        self.count = 0

    @property
    def alarm(self) -> bool:
        """So many in a row are off that something must be wrong."""
        return self.in_a_row >= IN_A_ROW

    def due(self, distance_m: float | None, engaged: bool) -> bool:
        """True when the driver should check; the way counts from the first automatic metre."""
        if self.settings.at == "mark":
            return self.marked
        if self.checked_m is None and engaged:
            self.checked_m = distance_m
        if self.checked_m is None or distance_m is None or not self.settings.every_m:
            return False
        return abs(distance_m - self.checked_m) >= self.settings.every_m

    def mark(self) -> None:
        """The driver stands at a pin."""
        self.marked = True

    def take(
        self, end: Side, readings: tuple[float, float], believed: float, distance_m: float | None
    ) -> Check:
        """readings: measured, and what it would be on the target (m); believed: height error."""
        measured, expected = readings
        wrong = (expected - measured) - believed
        off = abs(wrong) > self.settings.tolerance_mm * MM
        self.in_a_row = self.in_a_row + 1 if off else 0
        self.checked_m, self.marked = distance_m, False
        self.count += 1
        self.check = Check(
            end, distance_m, measured, expected, wrong, -wrong, self.in_a_row, self.count
        )
        return self.check


def reading_fault(measured: float, expected: float | None) -> str:
    """What is wrong with readings; '' when nothing is."""
    for value in (measured, 0.0 if expected is None else expected):
        if not (math.isfinite(value) and abs(value) <= READING):
            return f"a reading lies within {READING:g} m; {value:g} m does not"
    return ""
