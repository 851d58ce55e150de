"""A 3 m straightedge laid on a profile, in the manner of EN 13036-7. Pure geometry, SI units.

The edge lies on the profile's high points as gravity has it: on the two, either side of its
middle, that carry it. The deviation is the largest gap below it between those two. The standard's
text is known to us second-hand only; that gaps count between the points of contact is from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.columns import Floats

LENGTH_M = 3.0  # EN 13036-7: a straightedge of 3 m
WHOLE = 0.95  # share of an edge's stations that must be known for it to be laid
GAP = 1.5  # steps; farther apart two stations have something unknown between them


@dataclass(frozen=True)
class Laid:
    """Each place where the edge was laid: chainage of its middle (m), its deviation (m) and where
    the largest gap is (m)."""

    middle: Floats
    deviation: Floats
    worst_at: Floats


def lay(x: Floats, z: Floats, length: float = LENGTH_M) -> Laid:
    """Lay the edge at each station of a profile, x rising, where it has its whole length.

    Unknown stations (NaN) are passed over as long as WHOLE of them are known and no gap is wider
    than a tenth of the edge.
    """
    known = np.isfinite(z)
    x_known, z_known = x[known], z[known]
    if x.size < 2 or x_known.size < 3:
        return Laid(*(np.zeros(0) for _ in range(3)))
    step = float(np.median(np.diff(x)))
    out = []
    for first in range(x_known.size):
        last = int(np.searchsorted(x_known, x_known[first] + length + 0.25 * step, "right")) - 1
        if x_known[last] - x_known[first] < length - 0.75 * step:
            continue
        part = slice(first, last + 1)
        if last - first + 1 < WHOLE * (length / step + 1.0):
            continue
        if float(np.diff(x_known[part]).max()) > max(0.1 * length, GAP * step):
            continue
        out.append(deviation(x_known[part], z_known[part]))
    if not out:
        return Laid(*(np.zeros(0) for _ in range(3)))
    return Laid(*np.array(out).T)


def deviation(x: Floats, z: Floats) -> tuple[float, float, float]:
    """One edge over these points: its middle (m), the largest gap between the two points that
    carry it (m), and where that is (m)."""
    middle = 0.5 * (x[0] + x[-1])
    left, right = carriers(x, z, float(middle))
    inside = slice(left, right + 1)
    slope = (z[right] - z[left]) / (x[right] - x[left])
    gaps = z[left] + slope * (x[inside] - x[left]) - z[inside]
    worst = int(np.argmax(gaps))
    return float(middle), float(gaps[worst]), float(x[left + worst])


def carriers(x: Floats, z: Floats, middle: float) -> tuple[int, int]:
    """The two points of the upper hull on either side of the middle (Andrew's monotone chain)."""
    hull: list[int] = []
    for at in range(x.size):
        while len(hull) > 1 and _below(x, z, hull[-2], hull[-1], at):
            hull.pop()
        hull.append(at)
    right = next(i for i, at in enumerate(hull) if x[at] > middle or at == hull[-1])
    return hull[right - 1], hull[right]


def _below(x: Floats, z: Floats, a: int, b: int, c: int) -> bool:
    """Point b lies on or below the line from a to c."""
    turn = (x[b] - x[a]) * (z[c] - z[a]) - (z[b] - z[a]) * (x[c] - x[a])
    return bool(turn >= 0.0)
