"""Limits of accessible routes and of crossfall transitions: warnings, each with its source.

Slopes as ratios. These are no local rules: those may be stricter, and they come first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firmware_py.setout.alignment import Floats
from firmware_py.setout.strip import Along, Strip

CROSS_SLOPE = 1.0 / 48.0  # ADA 2010 Standards, 403.3
RUNNING_SLOPE = 1.0 / 20.0  # ADA 2010 Standards, 403.3
RAMP_SLOPE = 1.0 / 12.0  # ADA 2010 Standards, 405.2
LOCAL = "check local rules"
SLACK = 1e-9


@dataclass(frozen=True)
class Transition:
    """A stretch in which the crossfall changes: chainages m, crossfalls and rate as ratios."""

    start: float
    end: float
    before: float
    after: float
    width: float

    @property
    def rate(self) -> float:
        """Change of crossfall per m."""
        return (self.after - self.before) / (self.end - self.start)

    @property
    def edge_grade(self) -> float:
        """How much steeper one edge runs than the other: rate x width (relative gradient)."""
        return self.rate * self.width


def transitions(crossfall: Along, width: Along, start: float, end: float) -> list[Transition]:
    """Every stretch of the job in which the crossfall changes evenly."""
    inside = crossfall.at[(crossfall.at > start) & (crossfall.at < end)]
    knots = np.array([start, *inside.tolist(), end])
    values, widths = crossfall(knots), width(knots)
    found: list[Transition] = []
    for k in np.flatnonzero(np.abs(np.diff(values)) > SLACK).tolist():
        one, two = float(knots[k]), float(knots[k + 1])
        before, after = float(values[k]), float(values[k + 1])
        new = Transition(one, two, before, after, float(max(widths[k], widths[k + 1])))
        last = found[-1] if found else None
        if last and last.end == new.start and abs(last.rate - new.rate) < SLACK:
            found[-1] = Transition(last.start, two, last.before, after, max(last.width, new.width))
        else:
            found.append(new)
    return found


def transition_warnings(found: list[Transition], most_rate: float) -> list[str]:
    """Transitions whose crossfall changes faster than the file allows (ratio per m)."""
    return [
        f"Transition {one.start:g} to {one.end:g} m: {100 * abs(one.rate):.2f} % of crossfall a "
        f"metre, beyond {100 * most_rate:g} (common practice, no source); make it "
        f"{abs(one.after - one.before) / most_rate:.1f} m long"
        for one in found
        if abs(one.rate) > most_rate + SLACK
    ]


def stretches(at: Floats, over: Floats) -> list[tuple[float, float, int]]:
    """Where a value is > 0 at neighbouring stations: from, to, and the index of its largest."""
    inside = np.concatenate([[False], over > SLACK, [False]])
    edges = np.flatnonzero(inside[1:] != inside[:-1])
    return [
        (float(at[one]), float(at[two - 1]), int(one + np.argmax(over[one:two])))
        for one, two in zip(edges[::2], edges[1::2], strict=True)
    ]


def accessible_warnings(strip: Strip, at: Floats, crossfall_tolerance: float) -> list[str]:
    """Stretches of the finished surface beyond the limits of accessible routes."""
    cross, run = np.abs(strip.crossfall(at)), np.abs(strip.profile.grades(at))
    words = []
    for start, end, k in stretches(at, cross - CROSS_SLOPE):
        words.append(
            f"{_from_to(start, end)}: crossfall {100 * cross[k]:.2f} % is steeper than 1:48 "
            f"(2.08 %; ADA 2010, 403.3); {LOCAL}"
        )
    built = np.where(cross <= CROSS_SLOPE + SLACK, cross + crossfall_tolerance, 0.0)
    for start, end, k in stretches(at, built - CROSS_SLOPE):
        words.append(
            f"{_from_to(start, end)}: crossfall {100 * cross[k]:.2f} % leaves "
            f"{100 * (CROSS_SLOPE - cross[k]):.2f} % to 1:48 (ADA 2010, 403.3), less than the "
            f"job's tolerance of {100 * crossfall_tolerance:g} %; {LOCAL}"
        )
    for start, end, k in stretches(at, run - RAMP_SLOPE):
        words.append(
            f"{_from_to(start, end)}: grade {100 * run[k]:.2f} % is steeper than 1:12, the limit "
            f"of a ramp (ADA 2010, 405.2); {LOCAL}"
        )
    ramp = np.where(run <= RAMP_SLOPE + SLACK, run, 0.0)
    for start, end, k in stretches(at, ramp - RUNNING_SLOPE):
        words.append(
            f"{_from_to(start, end)}: grade {100 * run[k]:.2f} % is steeper than 1:20 "
            f"(ADA 2010, 403.3), so a ramp with its own rules (405); {LOCAL}"
        )
    return words


def _from_to(start: float, end: float) -> str:
    return f"At {start:g} m" if start == end else f"{start:g} to {end:g} m"
