"""Finding the reference in one frame, from nothing: candidates, their vote, and one answer or none.

No answer is better than a wrong one. Signs and frame: see ranging.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

from firmware_py.sense.ranging import Fix, Frame, View, slant_range
from firmware_py.sense.votes import consensus

SAME_COST = 4.0  # sigma squared; answers this close in cost are the same answer
SAME_CLEARANCE = 0.012  # m; and this close in clearance
SAME_LATERAL = 0.04  # m; further off than this it is a rival
NEARER = 0.015  # m; two lines at least this far apart, one behind the other, are
PROUD = 0.065  # m; a pin and its string: no pin stands further proud
ALIKE = 0.008  # m; echoes of a string behind its pin lie as far behind in every element
OUTER = 0.25  # of the spacing: how far beyond its outer elements a bar can tell where a line is
STEP = 0.01  # m; of one step of the least squares: a flat top has hardly any slope
LEAST_SLOPE = 1e-6  # determinant below which there is none


def find_in_frame(frame: Frame, view: View) -> Fix | None:
    """The one reference that a frame supports, or None: too few, or a rival fits as well.

    Every pair of echoes gives candidates, and the elements vote on each (after Fischler and
    Bolles 1981, but exhaustive: five elements allow it). The nearest line wins, for nothing but
    a pin stands over a reference, and a pin has its string behind it.
    """
    fixes = [
        fix
        for c, y in dict.fromkeys(_candidates(frame, view))
        if (fix := consensus(c, y, frame, view)) is not None
    ]
    if not fixes:
        return None
    best = _one_answer(fixes, frame, view)
    if best is None or view.half_width:
        return best
    behind = [
        f
        for f in fixes
        if NEARER < f.clearance - best.clearance < PROUD
        and abs(f.lateral - best.lateral) < SAME_LATERAL
    ]
    if behind:
        return _one_answer(behind, frame, view)
    return None if _shadowed(best, frame, view) else best


def _shadowed(fix: Fix, frame: Frame, view: View) -> bool:
    """Whether two elements hear something as far behind it: then it is a pin before its string."""
    extras: list[list[float]] = []
    for k in fix.who:
        expected = slant_range(fix.clearance, fix.lateral, view.positions[k], 0.0)[0]
        matched = min(frame[k], key=lambda r: abs(r - expected))
        extras.append([r - matched for r in frame[k] if NEARER < r - matched < PROUD])
    return any(
        abs(a - b) < ALIKE for one, other in combinations(extras, 2) for a in one for b in other
    )


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
        middle = consensus(best.clearance, 0.5 * (left + right), frame, view)
        if middle is None or middle.count < top or middle.cost > low + SAME_COST:
            return None
        best = middle
    fix = _refined(best, frame, view)
    if consensus(fix.clearance, fix.lateral, frame, view) is None:
        return None
    if not view.half_width:
        return fix
    return replace(fix, band=left - right, lateral_sd=max(fix.lateral_sd, (left - right) / 4.0))


def _refined(fix: Fix, frame: Frame, view: View) -> Fix:
    """Least squares (Gauss-Newton) from a candidate, over the elements that agree with it."""
    c, y = fix.clearance, fix.lateral
    sigma = view.sigma(c)
    sd = (sigma, view.half_width)
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
        if determinant < LEAST_SLOPE:  # flat top: the lateral may be anywhere over it
            break
        c += (d * e - b * f) / determinant
        y += max(-STEP, min(STEP, (a * f - b * e) / determinant))
        sd = (sigma * math.sqrt(d / determinant), sigma * math.sqrt(a / determinant))
    return replace(fix, clearance=c, lateral=y, clearance_sd=sd[0], lateral_sd=sd[1])
