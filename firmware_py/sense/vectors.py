"""Vectors and 3 x 3 matrices in plain floats: a tick has no time for arrays."""

from __future__ import annotations

import math

TINY = 1e-12  # rad or s: not quite nothing, so that it may be divided by

Vector = tuple[float, float, float]
Matrix = tuple[float, float, float, float, float, float, float, float, float]  # by rows
IDENTITY: Matrix = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)


def rotation(x: float, y: float, z: float) -> Matrix:
    """Matrix that turns a vector by the rotation vector (x, y, z), rad: Rodrigues' formula."""
    square = x * x + y * y + z * z
    angle = math.sqrt(square) + TINY
    s, c = math.sin(angle) / angle, 2.0 * (math.sin(0.5 * angle) / angle) ** 2
    d = 1.0 - c * square
    cx, cy, cz, sx, sy, sz = c * x, c * y, c * z, s * x, s * y, s * z
    xy, xz, yz = cx * y, cx * z, cy * z
    return (d + cx * x, xy - sz, xz + sy,
            xy + sz, d + cy * y, yz - sx,
            xz - sy, yz + sx, d + cz * z)  # fmt: skip


def times(m: Matrix, v: Vector) -> Vector:
    """Product of a matrix and a vector."""
    a, b, c, d, e, f, g, h, i = m
    x, y, z = v
    return (a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z)


def product(m: Matrix, n: Matrix) -> Matrix:
    """Product of two matrices."""
    a, b, c, d, e, f, g, h, i = m
    p, q, r, s, t, u, v, w, x = n
    return (a * p + b * s + c * v, a * q + b * t + c * w, a * r + b * u + c * x,
            d * p + e * s + f * v, d * q + e * t + f * w, d * r + e * u + f * x,
            g * p + h * s + i * v, g * q + h * t + i * w, g * r + h * u + i * x)  # fmt: skip


def cross(v: Vector, w: Vector) -> Vector:
    """Cross product v x w."""
    a, b, c = v
    x, y, z = w
    return (b * z - c * y, c * x - a * z, a * y - b * x)


def mix(p: float, m: Matrix, q: float, n: Matrix) -> Matrix:
    """Weighted sum p m + q n."""
    a, b, c, d, e, f, g, h, i = m
    r, s, t, u, v, w, x, y, z = n
    return (p * a + q * r, p * b + q * s, p * c + q * t, p * d + q * u, p * e + q * v,
            p * f + q * w, p * g + q * x, p * h + q * y, p * i + q * z)  # fmt: skip


def kalman(cov: Matrix, rows: Matrix, seen: Vector, var: float) -> tuple[Vector, Matrix]:
    """State change and new covariance by seen = rows x state + noise, one row after another."""
    b, c, d = 0.0, 0.0, 0.0
    for i in range(3):
        h = (rows[3 * i], rows[3 * i + 1], rows[3 * i + 2])
        x, y, z = times(cov, h)
        total = h[0] * x + h[1] * y + h[2] * z + var
        error = (seen[i] - h[0] * b - h[1] * c - h[2] * d) / total
        b, c, d = b + error * x, c + error * y, d + error * z
        outer = (x * x, x * y, x * z, y * x, y * y, y * z, z * x, z * y, z * z)
        cov = mix(1.0, cov, -1.0 / total, outer)
    return (b, c, d), cov
