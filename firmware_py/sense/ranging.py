"""Echoes over a string or an edge: the geometry, and finding the reference from nothing.

Bar frame: y along the bar, left > 0, from its middle; clearance c down, square to the bar. An
edge of half width w looks like a string that is w wide; a string has w = 0. Derived: the first
arrival is the nearest point, r^2 = c^2 + max(|y_i - y| - w, 0)^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

GRID = 0.01  # m; lateral step of the search, well under the capture range of the refinement
FRAMES_TWO = 3  # consecutive frames that must confirm what only two elements saw
FRAMES_MORE = 2  # the same where three or more saw it
DROPOUT_SHARE = 0.8  # of the beam: nearer its rim an element may or may not see the reference
SAME_COST = 4.0  # sigma squared; answers this close in cost are the same answer
NEARER = 0.015  # m; an echo this much nearer is something in front of the candidate
IN_FRONT = 2  # elements that see something in front: then the candidate is behind, not it
RIVAL = 0.04  # m; another answer further off than this is a rival, not the same one
CONFIRM_CLEARANCE = 0.012  # m; furthest that a reference moves in clearance from frame to frame
CONFIRM_LATERAL = 0.045  # m; the same across, where two elements see it least sharply


def element_positions(elements: int, spacing_m: float) -> tuple[float, ...]:
    """Positions along the bar, m, from its right (rear when turned) to its left (front)."""
    middle = (elements - 1) / 2
    return tuple((i - middle) * spacing_m for i in range(elements))


def vertical_clearance(c: float, y: float, roll: float, pitch: float) -> float:
    """Height of the bar's middle over a reference at clearance c and lateral y, m."""
    return (c * math.cos(roll) - y * math.sin(roll)) * math.cos(pitch)


def slant_range(c: float, y: float, at: float, half_width: float) -> tuple[float, float, float]:
    """Range from an element at `at`, with its derivatives by clearance and by lateral."""
    across = at - y
    off = abs(across) - half_width
    if off <= 0.0:
        return c, 1.0, 0.0
    r = math.sqrt(c * c + off * off)
    return r, c / r, (-off if across > 0.0 else off) / r


@dataclass(frozen=True, slots=True)
class View:
    """What the search needs to know of a bar: SI, radians."""

    positions: tuple[float, ...]
    half_angle: float
    half_width: float
    noise: float
    near: float
    far: float


@dataclass(frozen=True, slots=True)
class Fix:
    """A candidate: clearance and lateral (m), the lateral's spread (m), elements that agree."""

    clearance: float
    lateral: float
    spread: float
    count: int
    cost: float


Frame = list[tuple[float, ...]]  # ranges of each element, m, one tuple an element, nearest first


def find_in_frame(frame: Frame, view: View) -> Fix | None:
    """The one reference that a frame supports, or None: too few, or a rival fits as well.

    Every lateral on a grid is tried with every echo as the clearance's seed; the largest
    consensus wins (after Fischler and Bolles 1981, but exhaustive: five elements allow it).
    """
    reach = view.positions[-1] + view.far * math.tan(view.half_angle)
    steps = int(reach / GRID)
    fixes = [
        fix
        for k in range(-steps, steps + 1)
        if (fix := _best_at(k * GRID, frame, view)) is not None
    ]
    if not fixes:
        return None
    top = max(fix.count for fix in fixes)
    best = [fix for fix in fixes if fix.count == top]
    nearest = min(fix.clearance for fix in best)
    best = [fix for fix in best if fix.clearance < nearest + CONFIRM_CLEARANCE]
    low = min(fix.cost for fix in best)
    best = [fix for fix in best if fix.cost <= low + SAME_COST]
    if _split(best):
        return None
    spread = best[-1].lateral - best[0].lateral
    centre = 0.5 * (best[-1].lateral + best[0].lateral)
    middle = min(best, key=lambda f: abs(f.lateral - centre))
    return _refined(middle, spread, frame, view)


def _split(fixes: list[Fix]) -> bool:
    """True when the answers fall into two groups: the mirror image fits as well."""
    return any(b.lateral - a.lateral > RIVAL for a, b in zip(fixes, fixes[1:], strict=False))


def _best_at(lateral: float, frame: Frame, view: View) -> Fix | None:
    """Largest consensus for one lateral, its cost in units of noise squared."""
    offs = [max(abs(at - lateral) - view.half_width, 0.0) for at in view.positions]
    best: Fix | None = None
    for i, echoes in enumerate(frame):
        for r in echoes:
            square = r * r - offs[i] * offs[i]
            if square <= 0.0:
                continue
            c = math.sqrt(square)
            if not view.near <= c <= view.far:
                continue
            fix = _consensus(c, lateral, offs, frame, view)
            if fix is not None and (best is None or _better(fix, best)):
                best = fix
    return best


def _better(a: Fix, b: Fix) -> bool:
    return (a.count, -a.cost) > (b.count, -b.cost)


def _consensus(
    c: float, lateral: float, offs: list[float], frame: Frame, view: View
) -> Fix | None:
    """Count the elements that agree with (c, lateral).

    None when one that must see it does not, when several see something nearer, or when elements
    that cannot see it see something as near: then it is ground that looks like a string.
    """
    half = c * math.tan(view.half_angle)
    scale = max(c / 0.6, 0.5)
    tolerance = 3.0 * view.noise * scale
    rim = c / math.cos(view.half_angle) + tolerance
    seen, cost, total, missed, front, odd = 0, 0.0, 0.0, 0, 0, 0
    for off, echoes in zip(offs, frame, strict=True):
        if off > half * 1.1:
            odd += bool(echoes) and echoes[0] < rim
            continue
        expected = math.sqrt(c * c + off * off)
        gap = min((r - expected for r in echoes), key=abs, default=math.inf)
        if abs(gap) <= tolerance:
            seen += 1
            cost += (gap / (view.noise * scale)) ** 2
            total += gap * expected / c
            front += echoes[0] < expected - NEARER
        elif off < half * DROPOUT_SHARE:
            missed += 1
    if seen < 2 or missed * 2 > seen or front >= IN_FRONT or odd >= seen - 1:
        return None
    return Fix(c + total / seen, lateral, 0.0, seen, cost)


def _refined(fix: Fix, spread: float, frame: Frame, view: View) -> Fix:
    """Gauss-Newton from a grid answer, over the elements that agree with it."""
    c, y = fix.clearance, fix.lateral
    for _ in range(4):
        a = b = d = e = f = 1e-9
        for at, echoes in zip(view.positions, frame, strict=True):
            r, dc, dy = slant_range(c, y, at, view.half_width)
            gap = min((x - r for x in echoes), key=abs, default=math.inf)
            if abs(gap) > 4.0 * view.noise:
                continue
            a, b, d = a + dc * dc, b + dc * dy, d + dy * dy
            e, f = e + dc * gap, f + dy * gap
        determinant = a * d - b * b
        if determinant < 1e-6:  # flat top: the lateral is not to be had, the middle stands
            break
        c += (d * e - b * f) / determinant
        y += max(-GRID, min(GRID, (a * f - b * e) / determinant))
    return Fix(c, y, spread, fix.count, fix.cost)


class Search:
    """Confirms candidates over consecutive frames; `offer` gives a Fix once, when it is sure."""

    STATE = ("last", "run", "least")

    def __init__(self) -> None:
        self.last: list[float] = []
        self.run = 0
        self.least = 0

    def reset(self) -> None:
        """Begin anew."""
        self.last, self.run, self.least = [], 0, 0

    def offer(self, fix: Fix | None) -> Fix | None:
        """Take one frame's candidate; the Fix comes back when enough frames agree."""
        if fix is None:
            self.reset()
            return None
        agrees = (
            self.run > 0
            and abs(fix.clearance - self.last[0]) < CONFIRM_CLEARANCE
            and abs(fix.lateral - self.last[1]) < CONFIRM_LATERAL
        )
        self.run = self.run + 1 if agrees else 1
        self.least = min(self.least, fix.count) if agrees else fix.count
        self.last = [fix.clearance, fix.lateral]
        needed = FRAMES_MORE if self.least >= 3 else FRAMES_TWO
        return fix if self.run >= needed else None
