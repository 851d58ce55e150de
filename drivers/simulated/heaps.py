"""Stones on a finished strip and windrows of spilt soil: rounded things that a bar sees.

World x, y, z (m); offset n to the left of the path; tops are above the design surface.
"""

from __future__ import annotations

import math
from bisect import bisect_right

import numpy as np

from drivers.simulated.beam import Beam, Vec, add_round
from drivers.simulated.path import Design

MARGIN = 12.0  # m before the path's start and past its end
STONE_RADIUS = 0.030  # m: 30 mm high, 60 mm wide (specified, chosen)
STONE_EVERY = 2.0  # m (specified)
STONE_SPREAD = 0.10  # m either side of the bar's middle (chosen)
SPILL_EVERY = (3.0, 7.0)  # m between windrows (chosen)
SPILL_LENGTH = (0.2, 0.8)  # m (chosen)
SPILL_TOP = (0.060, 0.110)  # m above the design surface (specified)
SPILL_INBOARD = (0.16, 0.30)  # m of its crest from the bar's middle towards the blade (chosen)
SPILL_RADIUS = 0.15  # m: a loose heap's rounded back (chosen)


class Heaps:
    """Rounded things on the ground: stones (a ball) and windrows (a lying cylinder)."""

    def __init__(self) -> None:
        self.s: list[float] = []
        self.items: list[tuple[Vec, Vec, float, float]] = []  # two ends, radius, half length

    def ranges(self, beam: Beam, s: float, out: list[float]) -> None:
        """First arrivals from those heaps that the beam touches."""
        j = bisect_right(self.s, s)
        for k in (j - 1, j):
            if 0 <= k < len(self.s):
                p, q, radius, half = self.items[k]
                if abs(self.s[k] - s) < half + 0.5:
                    add_round(beam, _on_segment(beam.e, p, q), radius, out)


def stones(design: Design, n_ref: float, gen: np.random.Generator) -> Heaps:
    """A stone every 2 m of a finished strip."""
    heaps = Heaps()
    count = int((design.path.length + 2 * MARGIN) / STONE_EVERY)
    for k, side in enumerate(gen.uniform(-STONE_SPREAD, STONE_SPREAD, count).tolist()):
        s = -MARGIN + k * STONE_EVERY
        p = (*design.path.point(s, n_ref + side), design.height(s, n_ref + side))
        heaps.s.append(s)
        heaps.items.append((p, p, STONE_RADIUS, 0.0))
    return heaps


def spill(design: Design, n_ref: float, gen: np.random.Generator) -> Heaps:
    """Windrows at the blade end, every few metres, under the bar's inner elements."""
    heaps = Heaps()
    s = -MARGIN
    while s < design.path.length + MARGIN:
        gap, length, top, inboard = (
            float(gen.uniform(*limits))
            for limits in (SPILL_EVERY, SPILL_LENGTH, SPILL_TOP, SPILL_INBOARD)
        )
        s += gap
        n = n_ref - math.copysign(inboard, n_ref)
        ends = [
            (*design.path.point(t, n), design.height(t, n) + top - SPILL_RADIUS)
            for t in (s - 0.5 * length, s + 0.5 * length)
        ]
        heaps.s.append(s)
        heaps.items.append((ends[0], ends[1], SPILL_RADIUS, 0.5 * length))
    return heaps


def _on_segment(e: Vec, p: Vec, q: Vec) -> Vec:
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    square = dx * dx + dy * dy + dz * dz
    if square == 0.0:
        return p
    u = ((e[0] - p[0]) * dx + (e[1] - p[1]) * dy + (e[2] - p[2]) * dz) / square
    u = min(max(u, 0.0), 1.0)
    return p[0] + u * dx, p[1] + u * dy, p[2] + u * dz
