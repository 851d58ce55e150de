"""What a bar can see: string with sag and pins, edge, finished strip, stones, spill.

World x, y, z (m); offset n to the left of the path. Each reference gives the slant
ranges (m) of its echoes in a beam.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from itertools import pairwise
from typing import NamedTuple, Protocol

import numpy as np

from drivers.simulated.path import Design
from drivers.simulated.world import Reference

Vec = tuple[float, float, float]

MARGIN = 12.0  # m of reference before the path's start and past its end
PIN_RADIUS = 0.008  # m: 16 mm steel (chosen)
PIN_PROUD = 0.050  # m above the string (issue)
PIN_BESIDE = 0.010  # m of its middle beyond the string, on the far side (chosen)
STONE_RADIUS = 0.030  # m: 30 mm high, 60 mm wide (issue, chosen)
STONE_EVERY = 2.0  # m (issue)
STONE_SPREAD = 0.10  # m either side of the bar's middle (chosen)
SPILL_EVERY = (3.0, 7.0)  # m between windrows (chosen)
SPILL_LENGTH = (0.2, 0.8)  # m (chosen)
SPILL_TOP = (0.060, 0.110)  # m above the design surface (issue)
SPILL_INBOARD = (0.16, 0.30)  # m of its crest from the bar's middle towards the blade (chosen)
SPILL_RADIUS = 0.15  # m: a loose heap's rounded back (chosen)


class Beam(NamedTuple):
    """One element's view: from e along the unit vector a, out to acos(cos_half) off it."""

    e: Vec
    a: Vec
    cos_half: float


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


class StringLine:
    """Chords between pins, each with its parabola of sag."""

    surface = False

    def __init__(
        self, design: Design, n_ref: float, ref: Reference, gen: np.random.Generator
    ) -> None:
        self.n_ref, self.height_m = n_ref, ref.height_m
        self._design, self._pins = design, ref.pins
        self.s = pin_chainages(design, ref)
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

    def nearest(self, e: Vec, s: float) -> Vec | None:
        """The string's point nearest to e; None beyond its ends."""
        last = len(self.sag) - 1
        i = bisect_right(self.s, s) - 1
        if not 0 <= i <= last:
            return None
        u = self._share(e, i)
        if (u > 1.0 and i < last) or (u < 0.0 and i > 0):
            i += 1 if u > 1.0 else -1
            u = self._share(e, i)
        u = min(max(u, 0.0), 1.0)
        x, y, z = self.knots[i]
        x1, y1, z1 = self.knots[i + 1]
        droop = self.sag[i] * 4.0 * u * (1.0 - u)
        return x + u * (x1 - x), y + u * (y1 - y), z + u * (z1 - z) - droop

    def _share(self, e: Vec, i: int) -> float:
        """Where along chord i the foot of e lies: 0 at its first pin, 1 at its second."""
        x, y, z = self.knots[i]
        x1, y1, z1 = self.knots[i + 1]
        dx, dy, dz = x1 - x, y1 - y, z1 - z
        along = (e[0] - x) * dx + (e[1] - y) * dy + (e[2] - z) * dz
        return along / (dx * dx + dy * dy + dz * dz)

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
        i = min(max(bisect_right(self.s, s) - 1, 0), len(self.sag) - 1)
        theta = self._design.path.heading(s)
        ox, oy = self._design.path.point(s)
        nx, ny = -math.sin(theta), math.cos(theta)
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
        e, a, _ = beam
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
        add_point(beam._replace(cos_half=beam.cos_half - 1e-6), p, 0.0, out)

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


def add_point(beam: Beam, p: Vec, radius: float, out: list[float]) -> None:
    """Range of the nearest point of a level disc about p, if it lies in the beam."""
    e, a, cos_half = beam
    dx, dy, dz = p[0] - e[0], p[1] - e[1], p[2] - e[2]
    if radius:
        flat = math.hypot(dx, dy)
        keep = max(flat - radius, 0.0) / flat if flat else 0.0
        dx, dy = dx * keep, dy * keep
    r = math.sqrt(dx * dx + dy * dy + dz * dz)
    if dx * a[0] + dy * a[1] + dz * a[2] >= cos_half * r and r > 0.0:
        out.append(r)


def add_round(beam: Beam, c: Vec, radius: float, out: list[float]) -> None:
    """Range of the first point of a ball about c within the beam."""
    e, a, cos_half = beam
    dx, dy, dz = c[0] - e[0], c[1] - e[1], c[2] - e[2]
    d = math.sqrt(dx * dx + dy * dy + dz * dz)
    cos_off = (dx * a[0] + dy * a[1] + dz * a[2]) / d
    if cos_off >= cos_half:
        out.append(d - radius)
        return
    # the beam's rim, turned towards the ball
    off = math.acos(max(cos_off, -1.0)) - math.acos(cos_half)
    miss = d * math.sin(off)
    if off < 1.0 and miss < radius:
        out.append(d * math.cos(off) - math.sqrt(radius * radius - miss * miss))


def _on_segment(e: Vec, p: Vec, q: Vec) -> Vec:
    dx, dy, dz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    square = dx * dx + dy * dy + dz * dz
    if square == 0.0:
        return p
    u = ((e[0] - p[0]) * dx + (e[1] - p[1]) * dy + (e[2] - p[2]) * dz) / square
    u = min(max(u, 0.0), 1.0)
    return p[0] + u * dx, p[1] + u * dy, p[2] + u * dz
