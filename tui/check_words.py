"""Check levels as words and as a table. No widget here.

Readings are larger for a lower end. wrong > 0: the end is higher than the controller believes.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from firmware_py.messages import IN_A_ROW, SIDES, Check
from tui.acts import Seen
from tui.units import NOT_KNOWN, Units

LOOK_AT = "Check string, cutting-edge wear and mounting."
DUE, NOT_DUE = "A CHECK IS DUE.", "No check is due."
HEAD = ("no", "at", "end", "measured", "expected", "difference", "wrong by")
WIDTHS = (3, 10, 6, 12, 12, 12, 12)  # columns of the table
LEGEND = "wrong by: > 0 the end is higher than the controller believed, < 0 lower"
NO_CHECKS = "No check yet since this dashboard joined."


def due(seen: Seen) -> str:
    """Whether a check is due, with the driver's own words for it."""
    if seen.tick is None:
        return f"Whether a check is due is {NOT_KNOWN}."
    old = "" if seen.known.fresh(seen.now_s) else " STALE"
    if not seen.tick.check_due:
        return f"{NOT_DUE}{old}"
    return f"{DUE}{old} {seen.options.check_words}".rstrip()


def side_words(higher_m: float, units: Units) -> str:
    """'3.0 mm higher than', '3.0 mm lower than' or 'no other than'."""
    size = units.height(abs(higher_m))
    if float(units.height_number(abs(higher_m))) == 0.0:
        return "no other than"
    return f"{size} {'higher' if higher_m > 0 else 'lower'} than"


def result(check: Check | None, tolerance_m: float | None, units: Units) -> list[str]:
    """The newest check in sentences."""
    if check is None:
        return [NO_CHECKS]
    measured, expected = units.height(check.measured_m), units.height(check.expected_m)
    difference = units.height(check.measured_m - check.expected_m, signed=True)
    offset = units.height(check.offset_m, signed=True)
    return [
        f"{check.end.value.capitalize()} end: measured {measured}, expected {expected}, "
        f"difference {difference}.",
        f"It is {side_words(check.wrong_m, units)} the controller believes. "
        f"Proposed offset {offset}.",
        verdict(check, tolerance_m, units),
    ]


def verdict(check: Check, tolerance_m: float | None, units: Units) -> str:
    """What the check says about the job."""
    within = "" if tolerance_m is None else f" of {units.height(tolerance_m)}"
    if check.in_a_row >= IN_A_ROW:
        return f"{check.in_a_row} checks in a row were beyond the tolerance{within}. {LOOK_AT}"
    if check.in_a_row:
        return f"Beyond the tolerance{within}. Measure once more."
    return f"Within the tolerance{within}."


def table(checks: Sequence[Check], units: Units) -> list[str]:
    """Mean and spread of each end, then all checks, the newest first."""
    if not checks:
        return []
    lines = [line for side in SIDES if (line := _summary(checks, side, units))]
    lines.append(_row(HEAD))
    for number, check in reversed(list(enumerate(checks, start=1))):
        lines.append(
            _row((
                str(number),
                units.distance(check.distance_m),
                check.end.value,
                units.height(check.measured_m),
                units.height(check.expected_m),
                units.height(check.measured_m - check.expected_m, signed=True),
                units.height(check.wrong_m, signed=True),
            ))
        )  # fmt: skip
    return [*lines, LEGEND]


def _row(words: Sequence[str]) -> str:
    return " ".join(f"{word:>{width}}" for word, width in zip(words, WIDTHS, strict=True))


def _summary(checks: Sequence[Check], side: str, units: Units) -> str:
    """Mean and standard deviation (n - 1) of what was wrong; '' without a check there."""
    wrong = [check.wrong_m for check in checks if check.end == side]
    if not wrong:
        return ""
    mean = units.height(statistics.fmean(wrong), signed=True)
    spread = f"sd {units.height(statistics.stdev(wrong))}" if len(wrong) > 1 else "sd needs two"
    count = f"{len(wrong)} check{'s' * (len(wrong) > 1)}"
    return f"{side.capitalize()} end: wrong by {mean} (mean), spread {spread}, {count}"
