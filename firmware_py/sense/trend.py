"""A value and its slope as a two-state Kalman filter, in plain floats."""

from __future__ import annotations

START_SLOPE_SD = 0.01  # per s; nothing that is tracked here changes faster at the start


class Trend:
    """`rate` is the value, `slope` its change per second. Checked against filterpy in tests."""

    STATE = ("rate", "slope", "rr", "rs", "ss")

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Nothing known."""
        self.rate = self.slope = 0.0
        self.rr, self.rs, self.ss = 1.0, 0.0, START_SLOPE_SD**2

    def start(self, value: float, sd: float) -> None:
        """Begin at a value."""
        self.rate, self.rr = value, sd * sd

    def update(self, dt: float, value: float, drift: float, variance: float) -> None:
        """Advance by dt and take one value. drift: variance that the slope gains per second."""
        self.rate += self.slope * dt
        rr = self.rr + dt * (2.0 * self.rs + dt * self.ss)
        rs = self.rs + dt * self.ss
        ss = self.ss + drift * dt
        s = 1.0 / (rr + variance)
        gap = (value - self.rate) * s
        self.rate += rr * gap
        self.slope += rs * gap
        self.rr, self.rs, self.ss = rr - rr * rr * s, rs - rr * rs * s, ss - rs * rs * s
