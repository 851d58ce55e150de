"""A small Kalman filter written out in plain floats: a tick has no time for matrices.

Height and lateral over one bar: height h (m), its disturbance rate d (m/s), lateral y (m) and
the reference's direction x (rad, against the way that the bar itself moves, left > 0).
"""

from __future__ import annotations


class HeightLateral:
    """Four states with one scalar measurement at a time; checked against filterpy in tests."""

    STATE = ("h", "d", "y", "x", "cov")

    def __init__(self) -> None:
        self.h = self.d = self.y = self.x = 0.0
        # upper triangle: hh hd hy hx dd dy dx yy yx xx
        self.cov: list[float] = [0.0] * 10

    def start(self, h: float, y: float, sd: tuple[float, float, float, float]) -> None:
        """Begin from a fix; sd of h, d, y, x."""
        self.h, self.d, self.y, self.x = h, 0.0, y, 0.0
        s0, s1, s2, s3 = sd
        self.cov = [s0 * s0, 0.0, 0.0, 0.0, s1 * s1, 0.0, 0.0, s2 * s2, 0.0, s3 * s3]

    def predict(
        self, dt: float, rise: float, gain: float, noise: tuple[float, float, float, float]
    ) -> None:
        """Advance by dt. rise: known motion of h, m; gain: forward way, m, so that dy = gain * x.

        noise: variances added to h, d, y, x over this step.
        """
        self.h += rise + self.d * dt
        self.y += gain * self.x
        hh, hd, hy, hx, dd, dy, dx, yy, yx, xx = self.cov
        hh += dt * (2.0 * hd + dt * dd) + noise[0]
        hd += dt * dd
        hx += dt * dx
        hy += dt * dy + gain * hx
        dy += gain * dx
        yy += gain * (2.0 * yx + gain * xx) + noise[2]
        yx += gain * xx
        self.cov = [hh, hd, hy, hx, dd + noise[1], dy, dx, yy, yx, xx + noise[3]]

    def spread(self, a: float, b: float, c: float) -> float:
        """Variance of a*h + b*d + c*y."""
        hh, hd, hy, _, dd, dy, _, yy, _, _ = self.cov
        return a * a * hh + b * b * dd + c * c * yy + 2.0 * (a * b * hd + a * c * hy + b * c * dy)

    def update(self, innovation: float, a: float, b: float, c: float, variance: float) -> None:
        """Take one measurement z = a*h + b*d + c*y + noise, given as its innovation."""
        hh, hd, hy, hx, dd, dy, dx, yy, yx, xx = self.cov
        g0 = hh * a + hd * b + hy * c
        g1 = hd * a + dd * b + dy * c
        g2 = hy * a + dy * b + yy * c
        g3 = hx * a + dx * b + yx * c
        s = 1.0 / (a * g0 + b * g1 + c * g2 + variance)
        k = innovation * s
        self.h += g0 * k
        self.d += g1 * k
        self.y += g2 * k
        self.x += g3 * k
        self.cov = [
            hh - g0 * g0 * s,
            hd - g0 * g1 * s,
            hy - g0 * g2 * s,
            hx - g0 * g3 * s,
            dd - g1 * g1 * s,
            dy - g1 * g2 * s,
            dx - g1 * g3 * s,
            yy - g2 * g2 * s,
            yx - g2 * g3 * s,
            xx - g3 * g3 * s,
        ]
