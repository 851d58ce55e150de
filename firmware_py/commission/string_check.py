"""String check: does this bar hear this line, at the clearances and laterals of the job?

Clearance and lateral (m) as in sense/ranging.py: lateral > 0 to the left of the bar's middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drivers.samples import RangePing, Validity
from firmware_py.commission.estimate import Estimate, Floats, kept
from firmware_py.commission.procedure import Given, Steps, for_seconds, until_said
from firmware_py.sense.ranging import slant_range

LEAST_RATE = 0.80  # of the firings that could hear it; under it, `string` is refused
NEAR = 0.03  # m; an echo farther from where the line was put is of something else
SEES = 0.9  # of the beam's half angle: nearer its edge an element may or may not hear
LEAST_SD = 0.0005  # m; coarse steps make the median deviation 0
PLACE_S = 4.0  # s at each place: 100 frames at 40 ms
BURST = 3.0  # firings that one dropout lasts: neighbours are not independent evidence


@dataclass(frozen=True)
class Cell:
    """One place of the line: firings of elements that have it in view, those heard, spread (m)."""

    clearance_m: float
    lateral_m: float
    fired: int
    heard: int
    spread_m: float | None  # sd about each element's own mean; None: nothing heard

    @property
    def rate(self) -> float:
        return self.heard / self.fired if self.fired else 0.0


@dataclass(frozen=True)
class StringVerdict:
    """May `string` be followed, and where not, what would work."""

    ok: bool
    rate: Estimate
    cells: tuple[Cell, ...]
    words: str


def cell(
    clearance: float, lateral: float, positions: Sequence[float], half_angle: float, *,
    fired: Sequence[int], ranges: Sequence[Floats],
) -> Cell:  # fmt: skip
    """Count one place. positions, fired and ranges by element."""
    shots = heard = 0
    left: list[Floats] = []
    for y, count, r in zip(positions, fired, ranges, strict=True):
        if abs(y - lateral) > clearance * math.tan(SEES * half_angle):
            continue
        near = r[np.abs(r - slant_range(clearance, lateral, y, 0.0)[0]) < NEAR]
        shots, heard = shots + count, heard + min(near.size, count)
        if near.size > 1:
            left.append(near - np.median(near))
    every = np.concatenate(left) if left else np.zeros(0)
    every = every[kept(every, LEAST_SD)] if every.size else every
    spread = float(every.std()) if every.size > 1 else None
    return Cell(clearance, lateral, shots, heard, spread)


def verdict(cells: Sequence[Cell]) -> StringVerdict:
    """Pool all places in view; under LEAST_RATE the string is refused."""
    fired, heard = sum(c.fired for c in cells), sum(c.heard for c in cells)
    if fired == 0:
        none = Estimate(0.0, "1", 1.0)
        return StringVerdict(False, none, tuple(cells), "No element had the line in view.")
    rate = heard / fired
    # Agresti and Coull's two successes and two failures keep the interval honest near 1
    n = fired / BURST + 4.0
    middle = (rate * (n - 4.0) + 2.0) / n
    estimate = Estimate(rate, "1", math.sqrt(middle * (1.0 - middle) / n))
    ok = rate >= LEAST_RATE
    told = f"The line is heard in {100.0 * rate:.0f} % of the firings that have it in view"
    limit = f"at least {100.0 * LEAST_RATE:.0f} % is right"
    return StringVerdict(ok, estimate, tuple(cells), f"{told}; {limit}{_advice(ok, cells)}.")


def _advice(ok: bool, cells: Sequence[Cell]) -> str:
    """What would work: nearer, if that was heard; else more to reflect (common practice)."""
    poor = [c for c in cells if c.fired and c.rate < LEAST_RATE]
    if ok and not poor:
        return ""
    good = _heard_up_to(cells)
    if good is not None:
        return f"; up to {1e3 * good:.0f} mm of clearance it is heard: carry the bar lower"
    if ok:
        where = ", ".join(f"{1e3 * c.lateral_m:+.0f} mm" for c in poor)
        return f"; it is poor at lateral {where}: steer so that the line stays off there"
    return (
        ": string is refused. What would work: a line of 3 mm or more, a tube or pipe of some "
        "20 mm on the line, or an edge"
    )


def _heard_up_to(cells: Sequence[Cell]) -> float | None:
    """The largest clearance up to which all is heard well while farther it is not."""
    by: dict[float, list[Cell]] = {}
    for c in cells:
        if c.fired:
            by.setdefault(c.clearance_m, []).append(c)
    best = None
    for clearance in sorted(by):
        fired = sum(c.fired for c in by[clearance])
        if sum(c.heard for c in by[clearance]) < LEAST_RATE * fired:
            return best
        best = clearance
    return None


class _Ranges:
    """Keeps every echo of one bar as ranges."""

    def __init__(self, device: str, elements: int, sound_mps: float) -> None:
        self._device, self._half = device, 0.5 * sound_mps
        self.fired = [0] * elements
        self.ranges: list[list[float]] = [[] for _ in range(elements)]

    def __call__(self, given: Given) -> None:
        for s in given.samples:
            if not isinstance(s, RangePing) or s.device != self._device:
                continue
            if s.element < len(self.fired) and s.validity is not Validity.FAULT:
                self.fired[s.element] += 1
                self.ranges[s.element] += [self._half * e.flight_s for e in s.echoes]


def string_steps(
    device: str, positions: Sequence[float], half_angle: float, sound_mps: float, *,
    places: Sequence[tuple[float, float]], seconds: float = PLACE_S,
) -> Steps[StringVerdict]:  # fmt: skip
    """The person puts the line at each place (clearance, lateral in m). Moves no valve."""
    cells = []
    for clearance, lateral in places:
        side = "left" if lateral > 0.0 else "right"
        where = f"{abs(1e3 * lateral):.0f} mm to the {side} of" if lateral else "under"
        words = f"Line {where} the bar's middle, {1e3 * clearance:.0f} mm below the bar."
        yield from until_said(words, "ready", act="line", at=(clearance, lateral))
        kept_ranges = _Ranges(device, len(positions), sound_mps)
        yield from for_seconds("Keep clear of the line.", seconds, kept_ranges)
        ranges = [np.array(r) for r in kept_ranges.ranges]
        fired = kept_ranges.fired
        cells.append(cell(clearance, lateral, positions, half_angle, fired=fired, ranges=ranges))
    return verdict(cells)
