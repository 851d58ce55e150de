"""What a bar can see: string with sag and pins, edge, finished strip (see heaps.py too).

World x, y, z (m); offset n to the left of the path. Each reference gives the slant
ranges (m) of its echoes in a beam.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import pairwise
from typing import Protocol

import msgspec
import numpy as np

from drivers.simulated.beam import Beam, Vec, add_point
from drivers.simulated.path import Design
from drivers.simulated.world import Reference

MARGIN = 12.0  # m of reference before the path's start and past its end
PIN_RADIUS = 0.008  # m: 16 mm steel (chosen)
PIN_PROUD = 0.050  # m above the string (specified)
PIN_BESIDE = 0.010  # m of its middle beyond the string, on the far side (chosen)


class Target(Protocol):
    """A reference as a bar sees it."""

    n_ref: float
    height_m: float
    surface: bool  # its echo is the footprint's

    def ranges(self, beam: Beam, s: float, out: list[float]) -> None: ...

    def stands(self, s: float) -> tuple[float, float]:
        """Offset n and height z at which it really stands at chainage s."""
        ...


def string_sag(weight_n_per_m: float, span_m: float, tension_n: float) -> float:
    """Sag of the middle of a span below its chord, m: w L^2 / 8T (parabola)."""
    return weight_n_per_m * span_m**2 / (8.0 * tension_n)


class Chord(msgspec.Struct, frozen=True, gc=False):
    """One span: first pin, way to the second, the square of its length, and four times its sag."""

    x: float
    y: float
    z: float
    dx: float
    dy: float
    dz: float
    square: float
    sag4: float

    @classmethod
    def of(cls, p: Vec, q: Vec, sag: float) -> Chord:
        """From pin p to pin q."""
        dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        return cls(*p, dx, dy, dz, dx * dx + dy * dy + dz * dz, sag * 4.0)

    def share(self, e: Vec) -> float:
        """Where along the chord the foot of e lies: 0 at its first pin, 1 at its second."""
        along = (e[0] - self.x) * self.dx + (e[1] - self.y) * self.dy + (e[2] - self.z) * self.dz
        return along / self.square

    def at(self, u: float) -> Vec:
        """The string's point there."""
        droop = self.sag4 * u * (1.0 - u)
        return self.x + u * self.dx, self.y + u * self.dy, self.z + u * self.dz - droop


class StringLine:
    """Chords between pins, each with its parabola of sag."""

    surface = False

    def __init__(
        self, design: Design, n_ref: float, ref: Reference, gen: np.random.Generator
    ) -> None:
        self.n_ref, self.height_m = n_ref, ref.height_m
        self._along, self._pins = design.path.along, ref.pins
        self.s = pin_chainages(design, ref)
        self._inner = self.s[1:-1]  # between two spans
        beyond = math.copysign(PIN_BESIDE, n_ref)
        survey = ref.pin_survey_m * gen.standard_normal(len(self.s))
        self.knots: list[Vec] = []
        self.tops: list[Vec] = []
        for s, error in zip(self.s, survey.tolist(), strict=True):
            z = design.height(s, n_ref) + ref.height_m + error
            self.knots.append((*design.path.point(s, n_ref), z))
            self.tops.append((*design.path.point(s, n_ref + beyond), z + PIN_PROUD))
        self.sag = [
            string_sag(ref.weight_n_per_m, math.dist(p, q), ref.tension_n)
            for p, q in pairwise(self.knots)
        ]
        self._chords = [
            Chord.of(p, q, sag) for (p, q), sag in zip(pairwise(self.knots), self.sag, strict=True)
        ]

    def nearest(self, e: Vec, s: float) -> Vec | None:
        """The string's point nearest to e; None beyond its ends."""
        last = len(self.sag) - 1
        i = bisect_right(self.s, s) - 1
        if not 0 <= i <= last:
            return None
        chord = self._chords[i]
        u = chord.share(e)
        if (u > 1.0 and i < last) or (u < 0.0 and i > 0):
            chord = self._chords[i + 1 if u > 1.0 else i - 1]
            u = chord.share(e)
        return chord.at(0.0 if u < 0.0 else min(u, 1.0))

    def ranges(self, beam: Beam, s: float, out: list[float]) -> None:
        """Slant ranges of the string and of the pin tops in the beam."""
        p = self.nearest(beam.e, s)
        if p is None:
            return
        add_point(beam, p, 0.0, out)
        if self._pins:
            i = bisect_right(self.s, s) - 1
            for j in (i, i + 1):
                if abs(self.s[j] - s) < 0.4:
                    add_point(beam, self.tops[j], PIN_RADIUS, out)

    def stands(self, s: float) -> tuple[float, float]:
        i = bisect_right(self._inner, s)
        ox, oy, ny, sin = self._along(s)
        nx = -sin
        x, y, z = self.knots[i]
        x1, y1, z1 = self.knots[i + 1]
        # where the chord crosses the square line at s: no component along the path
        ahead0 = (x - ox) * ny - (y - oy) * nx
        ahead1 = (x1 - ox) * ny - (y1 - oy) * nx
        u = ahead0 / (ahead0 - ahead1)
        n0 = (x - ox) * nx + (y - oy) * ny
        n1 = (x1 - ox) * nx + (y1 - oy) * ny
        return n0 + u * (n1 - n0), z + u * (z1 - z) - self.sag[i] * 4.0 * u * (1.0 - u)


class EdgeLine:
    """The flat top of formwork or of a kerb lip, of known width, middle at n_ref."""

    surface = False

    def __init__(self, design: Design, n_ref: float, ref: Reference) -> None:
        self.n_ref, self.height_m, self._half = n_ref, ref.height_m, 0.5 * ref.width_m
        self._design = design

    def ranges(self, beam: Beam, s: float, out: list[float]) -> None:
        """Slant range of the nearest point of the top within the beam."""
        e, a = beam.e, beam.a
        f = self._design.path.locate(e[0], e[1], s)
        cos, sin = math.cos(f.theta), math.sin(f.theta)
        grade = self._design.grade / (1.0 - f.n * f.kappa)
        drop = e[2] - self._design.height(f.s, self.n_ref) - self.height_m
        along = drop * grade / (1.0 + grade * grade)  # foot of the square to a rising line
        side = self._side(f.n, a[1] * cos - a[0] * sin, drop, beam.cos_half)
        if side is None:
            return
        p = (
            e[0] + along * cos - side * sin,
            e[1] + along * sin + side * cos,
            e[2] - drop + along * grade,
        )
        add_point(Beam(e, a, beam.cos_half - 1e-6), p, 0.0, out)

    def _side(self, n: float, lean: float, drop: float, cos_half: float) -> float | None:
        """Sideways offset of the nearest point of the top inside the beam."""
        low, high = self.n_ref - self._half - n, self.n_ref + self._half - n
        tilt, half = math.asin(lean), math.acos(cos_half)
        low = max(low, drop * math.tan(tilt - half))
        high = min(high, drop * math.tan(tilt + half))
        return min(max(0.0, low), high) if low <= high else None

    def stands(self, s: float) -> tuple[float, float]:
        return self.n_ref, self._design.height(s, self.n_ref) + self.height_m


class Strip:
    """A finished surface continuing the design; its echo is the footprint's."""

    surface = True

    def __init__(self, design: Design, n_ref: float) -> None:
        self.n_ref, self.height_m, self._design = n_ref, 0.0, design

    def ranges(self, beam: Beam, s: float, out: list[float]) -> None:
        """Nothing of its own."""

    def stands(self, s: float) -> tuple[float, float]:
        return self.n_ref, self._design.height(s, self.n_ref)


def pin_chainages(design: Design, ref: Reference) -> list[float]:
    """Chainages of a string's pins: its gap on straights, closer in bends, and at tangents."""
    path = design.path
    marks = [-MARGIN, *(seg.s for seg in path.segments[1:]), path.length + MARGIN]
    pins = [-MARGIN]
    for start, end in pairwise(marks):
        bend = path.curvature(0.5 * (start + end)) != 0.0
        gap = ref.pin_gap_bend_m if bend else ref.pin_gap_m
        count = max(1, math.ceil((end - start) / gap - 1e-9))
        pins += [start + gap * k for k in range(1, count)]
        pins.append(end)
    return pins
