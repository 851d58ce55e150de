"""Scales in steps of 1, 2 and 5, which widen at once and narrow late, so that they do not flip."""

from __future__ import annotations

from tui.units import Kind

DECADES = range(-3, 5)
NARROW = 0.7  # of the finer scale's reach: only below this is it taken again
NOTHING = 1e-9  # m; what differs by less is the same


def ladder(one_m: float, least_m: float) -> list[float]:
    """All steps in m of a unit that is one_m long, none below least_m."""
    steps = [digit * 10.0**decade * one_m for decade in DECADES for digit in (1, 2, 5)]
    return [step for step in steps if step >= least_m - NOTHING]


def in_words(step_m: float, kind: Kind) -> str:
    """A step with its unit: '5 mm', '0.05 in'."""
    return f"{step_m / kind.one:g} {kind.name}"


class Steps:
    """How many metres one cell is. Keeps its step until another is needed."""

    def __init__(self, least_m: float) -> None:
        self.least_m = least_m
        self.step_m = 0.0

    def choose(self, most_m: float, cells: float, one_m: float) -> float:
        """The step so that most_m lies within so many cells."""
        steps = ladder(one_m, self.least_m)
        cells = max(cells, 0.5)
        fits = next((s for s in steps if most_m <= s * cells + NOTHING), steps[-1])
        known = any(abs(s - self.step_m) < NOTHING for s in steps)
        narrow = next((s for s in steps if most_m <= NARROW * s * cells + NOTHING), steps[-1])
        if not known or fits > self.step_m:
            self.step_m = fits
        elif narrow < self.step_m:
            self.step_m = narrow
        return self.step_m
