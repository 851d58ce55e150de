"""Echoes over a string or an edge: the geometry.

Bar frame: y along the bar, left > 0, from its middle; clearance c down, square to the bar. An
edge of half width w looks like a string that is w wide; a string has w = 0. Derived: the first
arrival is the nearest point, r^2 = c^2 + max(|y_i - y| - w, 0)^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NOISE_AT = 0.6  # m; range at which a rig file states the noise, which grows with range
MAY_SEE = 1.1  # of the beam: further out an element cannot see the reference


def element_positions(elements: int, spacing_m: float) -> tuple[float, ...]:
    """Positions along the bar, m, from its right (rear when turned) to its left (front)."""
    middle = (elements - 1) / 2
    return tuple((i - middle) * spacing_m for i in range(elements))


def vertical_clearance(c: float, y: float, roll: float, pitch: float) -> float:
    """Height of the bar's middle over a reference at clearance c and lateral y, m.

    For the machine at rest. The tracker levels by the slow grade in place of the pitch: an echo
    comes from the line's nearest point, which its own grade places, not the machine's pitching.
    """
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
    lean: the tangent of the roll, by which the beams look aside. outboard: the sign of y away from
    the blade, where no windrow lies.
    """

    positions: tuple[float, ...]
    half_angle: float
    half_width: float
    noise: float
    near: float
    far: float
    echoes: int = 3  # that one firing can report
    lean: float = 0.0
    outboard: int = 1

    def sigma(self, c: float) -> float:
        """1 sigma of a range at clearance c."""
        return self.noise * max(c / NOISE_AT, 0.5)


@dataclass(frozen=True, slots=True)
class Fix:
    """A candidate: clearance and lateral (m), elements that agree, their cost in sigma squared.

    who: which elements; clean: all beside them were heard; then the sd of both, and the width of
    the band of laterals that fit as well (m).
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
