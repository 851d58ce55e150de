"""What the valves are thought to do: commanded end rates after dead time and lag, m/s, m.

The undelayed lag runs ahead of the machine by the dead time, so the motion still on its way is
a difference of two sums and needs no model of the past.
"""

from __future__ import annotations

import math

DEPTH = 160  # ticks: 0.8 s at 200 Hz; dead time at most 0.4 s by setting, and 0.1 s more found
MOST = DEPTH - 2.0  # ticks of dead time: the last one is between two of the ring


class Lift:
    """Lag and dead time of one blade end's valve. Rates as commanded; scale by the gain found."""

    STATE = ("rate", "sums", "rates", "newest", "total")

    def __init__(self, tick_s: float, lag_s: float) -> None:
        self.tick_s = tick_s
        self.keep = math.exp(-tick_s / lag_s) if lag_s > 0.0 else 0.0
        self.lag_s = lag_s
        self.rate = 0.0
        self.total = 0.0
        self.sums = [0.0] * DEPTH
        self.rates = [0.0] * DEPTH
        self.newest = 0

    def reset(self) -> None:
        """Still, with nothing under way."""
        self.rate = self.total = 0.0
        self.sums = [0.0] * DEPTH
        self.rates = [0.0] * DEPTH

    def push(self, commanded: float) -> None:
        """Take the end rate that the command just written asks for, m/s."""
        before = self.rate
        self.rate = commanded + (before - commanded) * self.keep
        # exact integral of the lag over the tick
        self.total += (
            commanded * self.tick_s + (before - commanded) * (1.0 - self.keep) * self.lag_s
        )
        self.newest = (self.newest + 1) % DEPTH
        self.sums[self.newest] = self.total
        self.rates[self.newest] = self.rate

    def rate_after(self, dead_s: float) -> float:
        """The end's rate now, when the oil answers after dead_s."""
        return self._at(self.rates, dead_s)

    def sum_after(self, dead_s: float) -> float:
        """The end's cumulated motion now, m."""
        return self._at(self.sums, dead_s)

    def under_way(self, dead_s: float) -> float:
        """Motion still to come within the dead time from commands already given, m."""
        return self.total - self._at(self.sums, dead_s)

    def _at(self, ring: list[float], dead_s: float) -> float:
        ticks = min(dead_s / self.tick_s, MOST)
        whole = int(ticks)
        part = ticks - whole
        newer = ring[(self.newest - whole) % DEPTH]
        older = ring[(self.newest - whole - 1) % DEPTH]
        return newer + part * (older - newer)
