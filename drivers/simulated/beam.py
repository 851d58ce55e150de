"""One range element's beam, and what of a point or a ball it hears. World x, y, z; ranges in m."""

from __future__ import annotations

import math

import msgspec

Vec = tuple[float, float, float]


class Beam(msgspec.Struct, frozen=True, gc=False):
    """One element's view: from e along the unit vector a, out to acos(cos_half) off it."""

    e: Vec
    a: Vec
    cos_half: float


def add_point(beam: Beam, p: Vec, radius: float, out: list[float]) -> None:
    """Range of the nearest point of a level disc about p, if it lies in the beam."""
    e, a = beam.e, beam.a
    dx, dy, dz = p[0] - e[0], p[1] - e[1], p[2] - e[2]
    if radius:
        flat = math.hypot(dx, dy)
        keep = max(flat - radius, 0.0) / flat if flat else 0.0
        dx, dy = dx * keep, dy * keep
    r = math.sqrt(dx * dx + dy * dy + dz * dz)
    if dx * a[0] + dy * a[1] + dz * a[2] >= beam.cos_half * r and r > 0.0:
        out.append(r)


def add_round(beam: Beam, c: Vec, radius: float, out: list[float]) -> None:
    """Range of the first point of a ball about c within the beam."""
    e, a, cos_half = beam.e, beam.a, beam.cos_half
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
