"""The blade's pose at one instant, and points fixed to it.

x, y, z: middle of the cutting edge in world axes (m); psi: heading; pitch > 0 nose down; roll > 0
left end up (rad). Attitude = Rz(psi) Ry(pitch) Rx(roll).
"""

from __future__ import annotations

import math

import msgspec

Vec = tuple[float, float, float]


class Pose(msgspec.Struct, frozen=True, gc=False):
    """Blade pose at time t, with its chainage and the machine's speed."""

    t: float
    x: float
    y: float
    z: float
    psi: float
    pitch: float
    roll: float
    s: float
    speed: float


def between(a: Pose, b: Pose, t: float) -> Pose:
    """Pose at t by straight interpolation."""
    u = (t - a.t) / (b.t - a.t)
    return Pose(
        t,
        a.x + u * (b.x - a.x),
        a.y + u * (b.y - a.y),
        a.z + u * (b.z - a.z),
        a.psi + u * (b.psi - a.psi),
        a.pitch + u * (b.pitch - a.pitch),
        a.roll + u * (b.roll - a.roll),
        a.s + u * (b.s - a.s),
        b.speed,
    )


def axes(p: Pose) -> tuple[Vec, Vec, Vec]:
    """The blade's own forward, left and up directions in world axes."""
    c, s = math.cos(p.psi), math.sin(p.psi)
    ct, st = math.cos(p.pitch), math.sin(p.pitch)
    cr, sr = math.cos(p.roll), math.sin(p.roll)
    left_ahead, up_ahead = st * sr, st * cr
    return (
        (ct * c, ct * s, -st),
        (left_ahead * c - cr * s, left_ahead * s + cr * c, ct * sr),
        (up_ahead * c + sr * s, up_ahead * s - sr * c, ct * cr),
    )
