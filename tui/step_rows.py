"""The rows of the keys' own steps: the dashboard's business, so that nobody is asked."""

from __future__ import annotations

from collections.abc import Callable

from firmware_py.link.frames import Range
from tui.acts import Act, Cell, Put, Say, Seen, Type
from tui.options import STEPS

# One press goes to the next of these, m (metric and US customary) and ratios.
METRIC_M = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
US_M = tuple(inches * 0.0254 for inches in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0))
SLOPES = (0.0005, 0.001, 0.002, 0.005, 0.01)
ROUNDING = 1e-9


def range_words(span: Range | None, show: Callable[[float], str]) -> str:
    """'-200.0 to 200.0 mm': the unit is said once, where it stands behind a space."""
    if span is None:
        return ""
    least, most = show(span.least), show(span.most)
    unit = most.rpartition(" ")[2]
    return f"{least.removesuffix(f' {unit}')} to {most}"


class Step:
    """A step of the keys: the dashboard's own, so nobody is asked."""

    stepped = True

    def __init__(self, name: str, option: str, *, slope: bool = False) -> None:
        self.name, self.option, self.slope = name, option, slope

    def cell(self, seen: Seen) -> Cell:
        units = seen.options.units
        show = units.crossfall if self.slope else units.height
        allowed = range_words(Range(*STEPS[self.option]), show)
        return Cell(show(self._present(seen)), allowed, "a key's step; or type", live=False)

    def _present(self, seen: Seen) -> float:
        return float(getattr(seen.options, self.option))

    def step(self, seen: Seen, sign: int) -> Act:
        ladder = (
            SLOPES if self.slope else US_M if seen.options.units.height_unit == "in" else METRIC_M
        )
        low, high = STEPS[self.option]
        inside = [rung for rung in ladder if low <= rung <= high]
        now = self._present(seen)
        beyond = [r for r in inside if sign * (r - now) > ROUNDING]
        if not beyond:
            return Say(
                f"{self.name}: {'no larger' if sign > 0 else 'no smaller'} step here; type it."
            )
        return self._put(seen, min(beyond, key=lambda rung: abs(rung - now)))

    def enter(self, seen: Seen) -> Act:
        return Type(f"{self.name}:")

    def typed(self, seen: Seen, text: str) -> Act:
        units = seen.options.units
        return self._put(
            seen, units.read_crossfall(text) if self.slope else units.read_height(text)
        )

    def _put(self, seen: Seen, value: float) -> Act:
        return Put(seen.options.with_steps(**{self.option: value}))
