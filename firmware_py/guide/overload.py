"""Overload: full effort, and the speed falls. The blade is eased up, and comes back later.

Full effort: the blade is in a cut, or a valve stands at its cap. A driver who brakes is through
the band between creeping and slow sooner than SLOW_S; whoever slows down in a cut for longer gets
a shallower one until the speed is back, or until it is clear that he means to be slow.
"""

from __future__ import annotations

USUAL_S = 5.0  # s, over which the usual speed is taken; common practice, no source
SLOW = 0.6  # of the usual speed: slower is a machine that labours
BACK = 0.8  # of the usual speed: from here on it does not
STILL = 0.05  # m/s; slower is standing, which has rules of its own
SLOW_S = 0.6  # s; a brake at 0.5 m/s2 from 0.3 to 0.05 m/s takes 0.5 s
BACK_S = 1.0  # s
MEANT_S = 5.0  # s of a blade that is eased up, and no faster: the driver wants it so


class Overload:
    """`update` once a tick gives how far the blade is eased up over its limit, m."""

    STATE = ("usual", "slow_s", "back_s", "eased_s", "eased")

    def __init__(self, ease: float) -> None:
        self.ease = ease
        self.usual = 0.0
        self.slow_s = self.back_s = self.eased_s = self.eased = 0.0

    def update(self, dt: float, speed: float, *, cutting: bool, effort: bool, led: bool) -> float:
        """speed m/s; cutting: the edge is below the present ground; effort: a valve at its cap."""
        if not led:
            self.usual = self.slow_s = self.back_s = self.eased_s = self.eased = 0.0
            return 0.0
        slow = STILL < speed < SLOW * self.usual
        if self.eased > 0.0:
            self._return(dt, speed)
        elif slow and (cutting or effort):
            self.slow_s += dt
            if self.slow_s >= SLOW_S:
                self.eased, self.back_s, self.eased_s = self.ease, 0.0, 0.0
        else:
            self.slow_s = 0.0
            if speed >= BACK * self.usual:  # a machine that labours does not say what is usual
                self._learn(dt, speed)
        return self.eased

    def _learn(self, dt: float, speed: float) -> None:
        share = min(dt / USUAL_S, 1.0)
        # quick up, slow down: the usual speed is the one that the driver wants
        self.usual = speed if speed > self.usual else self.usual + share * (speed - self.usual)

    def _return(self, dt: float, speed: float) -> None:
        """Back once the speed has been good for a while."""
        self.eased_s += dt
        if self.eased_s >= MEANT_S and speed < BACK * self.usual:
            self.usual = speed
        self.back_s = self.back_s + dt if speed >= BACK * self.usual else 0.0
        if self.back_s >= BACK_S:
            self.eased = self.slow_s = 0.0
