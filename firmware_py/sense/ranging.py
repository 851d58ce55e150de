"""Echoes over a string or an edge: the geometry, and finding the reference from nothing.

Bar frame: y along the bar, left > 0, from its middle; clearance c down, square to the bar. An
edge of half width w looks like a string that is w wide; a string has w = 0. Derived: the first
arrival is the nearest point, r^2 = c^2 + max(|y_i - y| - w, 0)^2.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

FRAMES_TWO = 3  # consecutive frames that must confirm what only two elements saw
FRAMES_MORE = 2  # the same where three or more saw it
FRAMES_CLEAN = 2  # of them, in which all that could see a heap's flank were heard, and saw none
GAP_FRAMES = 4  # frames with a silent element that may come between: bursts are some 3 firings
SURE_LATERAL = 0.009  # m; 1 sigma of the lateral at most: an answer 40 mm off is then beyond 4
MUST_SEE = 0.8  # of the beam: further out an element may or may not see the reference
MAY_SEE = 1.1  # of the beam: further out it cannot
SURE_BAND = 0.06  # m; widest band of laterals over a flat top whose middle is an answer
LEAST_SD = 0.001  # m; no frame is surer than this
STEP = 0.01  # m; of one step of the least squares: a flat top has hardly any slope
LEAST_SLOPE = 1e-6  # determinant below which there is none
SAME_COST = 4.0  # sigma squared; answers this close in cost are the same answer
SAME_CLEARANCE = 0.012  # m; and this close in clearance, also from frame to frame
SAME_LATERAL = 0.04  # m; further off than this it is a rival
SLIP = 0.006  # m; an echo nearer than a cycle's slip makes it comes from something in front
NEARER = 0.015  # m; and one this much nearer may be a pin's
BESIDE = 0.05  # m beyond the beam, where an element would still see a heap, but not a string
ROUND = 0.015  # m; how far behind a string's own echo the flank of a heap may lie there
PROUD = 0.08  # m; no pin stands further proud of its string
BEHIND = 0.075  # m; nothing else may lie this close behind a string: more than the gate's far half
BEHIND_EDGE = 0.035  # m; the same for an edge, which may stand low: what one burst can tell apart
OUTER = 0.25  # of the spacing: how far beyond its outer elements a bar can tell where a line is


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
    """What the search needs to know of a bar: SI, radians. near, far: the clearances allowed.

    On the level: positions across, ranges to be given less each element's height over the middle.
    lean: the tangent of the roll, by which the beams look aside.
    """

    positions: tuple[float, ...]
    half_angle: float
    half_width: float
    noise: float
    near: float
    far: float
    echoes: int = 3  # that one firing can report
    lean: float = 0.0


@dataclass(frozen=True, slots=True)
class Fix:
    """A candidate: clearance and lateral (m), elements that agree, their cost in sigma squared.

    Then which elements they are, whether all beside them were heard, the sd of both, and the width of the band of laterals that fit as well (m).
    """

    clearance: float
    lateral: float
    count: int
    cost: float
    who: tuple[int, ...] = ()
    clean: bool = True
    clearance_sd: float = 0.0
    lateral_sd: float = 0.0
    band: float = 0.0


Frame = list[tuple[float, ...]]  # ranges of each element, m, one tuple an element, nearest first


def find_in_frame(frame: Frame, view: View) -> Fix | None:
    """The one reference that a frame supports, or None: too few, or a rival fits as well.

    Every pair of echoes gives candidates, and the elements vote on each (after Fischler and
    Bolles 1981, but exhaustive: five elements allow it). The nearest line wins, for nothing but
    a pin stands over a reference, and a pin has its string behind it.
    """
    fixes = [
        fix
        for c, y in dict.fromkeys(_candidates(frame, view))
        if (fix := _consensus(c, y, frame, view)) is not None
    ]
    if not fixes:
        return None
    best = _one_answer(fixes, frame, view)
    if best is None or view.half_width:
        return best
    behind = [f for f in fixes if NEARER < f.clearance - best.clearance < PROUD
              and abs(f.lateral - best.lateral) < SAME_LATERAL]  # fmt: skip
    return _one_answer(behind, frame, view) if behind else best


def _candidates(frame: Frame, view: View) -> Iterator[tuple[float, float]]:
    """Clearance and lateral from every pair of echoes of two elements, where a bar can tell."""
    at = view.positions
    limit = at[-1] + OUTER * (at[1] - at[0])
    for i, j in combinations(range(len(at)), 2):
        for r in frame[i]:
            for s in frame[j]:
                for c, y in _pair(at[i], at[j], r, s, view.half_width):
                    if view.near <= c <= view.far and abs(y - c * view.lean) <= limit:
                        yield c, y


def _pair(p: float, q: float, r: float, s: float, w: float) -> Iterator[tuple[float, float]]:
    """All lines of half width w that are r from an element at p and s from one at q > p.

    Linear in (c^2 + y^2, y): the difference of the two squares gives y, either gives c.
    """
    sides = ((0.0, 0.0),) if w == 0.0 else ((w, w), (-w, -w), (w, -w))
    for right, left in sides:
        a, b = p + right, q + left
        if b > a:
            y = 0.5 * (a + b) + (r * r - s * s) / (2.0 * (b - a))
            square = r * r - (a - y) * (a - y)
            if square > 0.0:
                yield math.sqrt(square), y
    if w == 0.0:
        return
    # one element over the flat top, the other beside it; or both over it
    aside = math.sqrt(abs(s * s - r * r))
    if s >= r:
        yield r, q - w - aside
    if r >= s:
        yield s, p + w + aside
    if q - p < 2.0 * w:
        yield from ((0.5 * (r + s), y) for y in (q - w, 0.5 * (p + q), p + w))


def _consensus(c: float, y: float, frame: Frame, view: View) -> Fix | None:
    """Count the elements that agree with (c, y). None where the frame speaks against it:

    one that must see it does not; elements that cannot see it see something as near, or too few
    see anything beyond it: then it is ground; silent ones might see something nearer; or something
    stands before it that is no pin of its own.
    """
    sigma = view.noise * max(c / 0.6, 0.5)
    tolerance, half = 3.0 * sigma, c * math.tan(view.half_angle)
    clear, broad = (BEHIND_EDGE, tolerance) if view.half_width else (BEHIND, ROUND)
    missed = elsewhere = odd = nearer = beyond = silent = unheard = 0
    cost, total, front, closest = 0.0, 0.0, math.inf, math.inf
    who: list[int] = []
    for k, (at, echoes) in enumerate(zip(view.positions, frame, strict=True)):
        off = max(abs(at - y) - view.half_width, 0.0)
        expected = math.sqrt(c * c + off * off)
        wide = max(abs(at - y + c * view.lean) - view.half_width, 0.0)
        beside = half * MAY_SEE < wide < half * MAY_SEE + BESIDE
        if not echoes:
            silent += 1
            missed += wide < half * MUST_SEE
            unheard += beside
            continue
        beyond += echoes[-1] > expected + clear
        if wide > half * MAY_SEE:
            odd += beside and echoes[0] < expected + broad
            nearer += echoes[0] < c - tolerance
            continue
        gap = min((r - expected for r in echoes), key=abs)
        if echoes[0] < expected - max(tolerance, SLIP):
            front = min(front, off)
        closest = min(closest, off)
        if abs(gap) <= tolerance:
            who.append(k)
            cost += (gap / sigma) ** 2
            total += gap * expected / c
        elif wide < half * MUST_SEE:
            missed += 1
            elsewhere += 1
    seen = len(who)
    if seen < 2 or missed * 2 > seen or elsewhere * 3 > seen or odd or nearer or silent >= seen:
        return None
    if beyond < min(2, view.echoes) or closest < front < math.inf:
        return None
    return Fix(c + total / seen, y, seen, cost, tuple(who), unheard == 0)


def _one_answer(fixes: list[Fix], frame: Frame, view: View) -> Fix | None:
    """The nearest line's best answer, refined; None when two that lie apart fit as well."""
    nearest = min(fix.clearance for fix in fixes)
    same = [fix for fix in fixes if fix.clearance < nearest + SAME_CLEARANCE]
    top = max(fix.count for fix in same)
    same = [fix for fix in same if fix.count == top]
    low = min(fix.cost for fix in same)
    same = [fix for fix in same if fix.cost <= low + SAME_COST]
    right, left = min(f.lateral for f in same), max(f.lateral for f in same)
    best = min(same, key=lambda f: f.cost)
    if left - right > SAME_LATERAL:
        # a band over a flat top fits all along; two answers do not fit half way between
        middle = _consensus(best.clearance, 0.5 * (left + right), frame, view)
        if middle is None or middle.count < top or middle.cost > low + SAME_COST:
            return None
        best = middle
    fix = _refined(best, frame, view)
    if _consensus(fix.clearance, fix.lateral, frame, view) is None:
        return None
    if not view.half_width:
        return fix
    return replace(fix, band=left - right, lateral_sd=max(fix.lateral_sd, (left - right) / 4.0))


def _refined(fix: Fix, frame: Frame, view: View) -> Fix:
    """Least squares (Gauss-Newton) from a candidate, over the elements that agree with it."""
    c, y = fix.clearance, fix.lateral
    sigma = view.noise * max(c / 0.6, 0.5)
    sd = (sigma, 0.0)
    for _ in range(3):
        a = b = d = e = f = 0.0
        for at, echoes in zip(view.positions, frame, strict=True):
            r, dc, dy = slant_range(c, y, at, view.half_width)
            gap = min((x - r for x in echoes), key=abs, default=math.inf)
            if abs(gap) > 4.0 * sigma:
                continue
            a, b, d = a + dc * dc, b + dc * dy, d + dy * dy
            e, f = e + dc * gap, f + dy * gap
        determinant = a * d - b * b
        if determinant < LEAST_SLOPE:  # flat top: the band says where the lateral may be
            break
        c += (d * e - b * f) / determinant
        y += max(-STEP, min(STEP, (a * f - b * e) / determinant))
        sd = (sigma * math.sqrt(d / determinant), sigma * math.sqrt(a / determinant))
    return replace(fix, clearance=c, lateral=y, clearance_sd=sd[0], lateral_sd=sd[1])


class Search:
    """Confirms candidates over consecutive frames; `offer` gives a Fix once, when it is sure."""

    STATE = ("clearance", "lateral", "weight", "run", "least", "gap", "clean", "who")

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Begin anew."""
        self.clearance = self.lateral = self.weight = 0.0
        self.run = self.least = self.gap = self.clean = 0
        self.who: tuple[int, ...] = ()

    def offer(self, fix: Fix | None, frame: Frame) -> Fix | None:
        """Take one frame's candidate; the mean Fix comes back when enough frames agree.

        A frame without one says nothing where elements that saw the last one were silent.
        """
        if fix is None:
            self.gap += 1
            if self.gap > GAP_FRAMES or all(frame[k] for k in self.who):
                self.reset()
            return None
        if not self._agrees(fix):
            self.reset()
        self.gap, self.who = 0, fix.who
        weight = 1.0 / (fix.lateral_sd**2 + LEAST_SD**2)
        self.run += 1
        self.clean += fix.clean
        self.least = min(self.least, fix.count) if self.run > 1 else fix.count
        self.weight += weight
        self.lateral += (fix.lateral - self.lateral) * weight / self.weight
        # the blade may heave, so that an old clearance counts for less
        self.clearance += (fix.clearance - self.clearance) / min(self.run, FRAMES_MORE)
        needed = FRAMES_MORE if self.least >= 3 else FRAMES_TWO
        sd = math.sqrt(1.0 / self.weight)
        if self.run < needed or self.clean < FRAMES_CLEAN or sd > SURE_LATERAL or fix.band > SURE_BAND:
            return None
        return replace(fix, clearance=self.clearance, lateral=self.lateral, lateral_sd=sd)

    def _agrees(self, fix: Fix) -> bool:
        """Whether a frame's answer goes on from those before it, by what a reference can move."""
        if not self.run:
            return False
        apart = SAME_LATERAL + 3.0 * math.sqrt(fix.lateral_sd**2 + 1.0 / self.weight)
        down = SAME_CLEARANCE + 3.0 * fix.clearance_sd
        return (
            abs(fix.clearance - self.clearance) < down and abs(fix.lateral - self.lateral) < apart
        )
