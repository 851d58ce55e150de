"""Grades and vertical curves: a profile as pieces of parabola, evaluated anywhere.

Chainage, levels and lengths in m; grades as ratios, > 0 rises with chainage; the rate of a piece is
its change of grade per metre, > 0 in a hollow (sag curve), < 0 over a crest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from firmware_py.errors import LineholdError

Floats = NDArray[np.float64]

ARC_PIECES = 32  # parabolas that stand for a circular arc: off by far less than 0.01 mm
SLACK = 1e-6  # m; curves that just touch, as written in decimals


class SetoutError(LineholdError, ValueError):
    """Numbers from which nothing can be set out."""


@dataclass(frozen=True)
class Intersection:
    """Where two grades meet (PVI), and the curve about it: its length before and behind it.

    radius: of a circular arc in place of parabolas; its tangent lengths follow from it.
    """

    at: float
    level: float
    length_in: float = 0.0
    length_out: float = 0.0
    radius: float | None = None


@dataclass(frozen=True)
class Profile:
    """n pieces: knots (n + 1), and at the start of each level, grade and rate (n)."""

    knots: Floats
    level: Floats
    grade: Floats
    rate: Floats

    @property
    def start(self) -> float:
        return float(self.knots[0])

    @property
    def end(self) -> float:
        return float(self.knots[-1])

    def _piece(self, at: Floats) -> NDArray[np.intp]:
        found = np.searchsorted(self.knots, at, side="right") - 1
        return np.clip(found, 0, len(self.rate) - 1)

    def levels(self, at: Floats) -> Floats:
        """Level at each chainage, m; z + g x + r x^2 / 2 from the start of its piece."""
        k = self._piece(at)
        x = at - self.knots[k]
        out: Floats = self.level[k] + x * (self.grade[k] + 0.5 * self.rate[k] * x)
        return out

    def grades(self, at: Floats) -> Floats:
        """Grade at each chainage; where it jumps, that of the piece behind it."""
        k = self._piece(at)
        out: Floats = self.grade[k] + self.rate[k] * (at - self.knots[k])
        return out

    def rates(self, at: Floats) -> Floats:
        """Change of grade per m at each chainage."""
        out: Floats = self.rate[self._piece(at)]
        return out

    def kinks(self) -> tuple[Floats, Floats]:
        """Inner knots and how far the grade jumps at each."""
        ends = self.grade + self.rate * np.diff(self.knots)
        return self.knots[1:-1], self.grade[1:] - ends[:-1]

    def turning_points(self) -> list[tuple[float, float]]:
        """High and low points inside curves, (chainage, level): where the grade passes zero."""
        found = []
        for k in np.flatnonzero(self.rate):
            x = -self.grade[k] / self.rate[k]
            if 0.0 < x < self.knots[k + 1] - self.knots[k]:
                at = float(self.knots[k] + x)
                found.append((at, float(self.levels(np.array([at]))[0])))
        return found


def from_stations(at: Floats, level: Floats) -> Profile:
    """Straight from station to station."""
    if at.size < 2 or not np.all(np.diff(at) > 0.0):
        raise SetoutError("a profile needs two stations or more, at rising chainages")
    grade = np.diff(level) / np.diff(at)
    return Profile(at.copy(), level[:-1].copy(), grade, np.zeros(grade.size))


def from_points(points: Sequence[Intersection]) -> Profile:
    """A profile from points of intersection; SetoutError where curves need more than the grades.

    A parabola of length L between grades g1 and g2 has rate (g2 - g1) / L. With unequal lengths l1
    and l2 two parabolas meet over the point (common practice in route surveying texts).
    """
    if len(points) < 2:
        raise SetoutError("a profile needs two points or more")
    grades = [_grade(one, two) for one, two in pairwise(points)]
    pieces: list[tuple[float, float, float, float]] = []
    at, level = points[0].at, points[0].level
    if points[0].length_in or points[-1].length_in or points[0].radius or points[-1].radius:
        raise SetoutError("a curve at the first or last point; no grade lies beyond it")
    for k, point in enumerate(points[1:], start=1):
        g1 = grades[k - 1]
        g2 = grades[k] if k < len(grades) else g1
        curve = _curve(point, g1, g2)
        begin = curve[0][0] if curve else point.at
        if begin < at - SLACK:
            before = points[k - 1].at
            need, way = (at - before) + (point.at - begin), point.at - before
            words = (
                f"between the points at {before:g} and {point.at:g} m the curves need {need:g} m"
            )
            raise SetoutError(f"{words} of a grade {way:g} m long; shorter curves are right")
        if begin > at + SLACK:
            pieces.append((at, level, g1, 0.0))
        at, level = (curve[-1][0], curve[-1][1]) if curve else (point.at, point.level)
        pieces += curve[:-1]
    made = np.array(pieces).reshape(-1, 4)
    return Profile(np.append(made[:, 0], at), made[:, 1], made[:, 2], made[:, 3])


def _grade(one: Intersection, two: Intersection) -> float:
    if not two.at > one.at:
        raise SetoutError(f"the point at {two.at:g} does not follow {one.at:g}")
    return (two.level - one.level) / (two.at - one.at)


def _curve(p: Intersection, g1: float, g2: float) -> list[tuple[float, float, float, float]]:
    """Pieces (at, level, grade, rate) of the curve about a point, and last where it ends."""
    if p.radius:
        return _arc(p, g1, g2) if g1 != g2 else []
    l1, l2 = p.length_in, p.length_out
    if min(l1, l2) < SLACK:
        return []
    whole, turn = l1 + l2, g2 - g1
    # the offset over the point is turn l1 l2 / (2 L); both parabolas share the grade there
    middle = p.level + 0.5 * turn * l1 * l2 / whole
    grade = g1 + turn * l2 / whole
    last = (p.at + l2, p.level + g2 * l2, g2, 0.0)
    first = (p.at - l1, p.level - g1 * l1, g1, turn * l2 / (whole * l1))
    second = (p.at, middle, grade, turn * l1 / (whole * l2))
    return [first, last] if math.isclose(l1, l2) else [first, second, last]


def _arc(p: Intersection, g1: float, g2: float) -> list[tuple[float, float, float, float]]:
    """A circular arc, tangent to both grades, as short parabolas through its exact points."""
    radius, turn = float(p.radius or 0.0), math.copysign(1.0, g2 - g1)
    a1, a2 = math.atan(g1), math.atan(g2)
    tangent = radius * math.tan(0.5 * abs(a2 - a1))
    x0, z0 = p.at - tangent * math.cos(a1), p.level - tangent * math.sin(a1)
    angles = np.linspace(a1, a2, ARC_PIECES + 1)
    at = x0 + turn * radius * (np.sin(angles) - math.sin(a1))
    level = z0 - turn * radius * (np.cos(angles) - math.cos(a1))
    step = np.diff(at)
    grade = np.tan(angles[:-1])
    rate = 2.0 * (np.diff(level) - grade * step) / step**2
    rows = zip(at[:-1].tolist(), level[:-1].tolist(), grade.tolist(), rate.tolist(), strict=True)
    return [*rows, (float(at[-1]), float(level[-1]), g2, 0.0)]
