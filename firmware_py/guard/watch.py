"""Watches for motion that nobody commanded, from the gyro and the echoes alone. SI units."""

from __future__ import annotations

MOVE_S = 0.3  # s; longer than a stone lifts a track
MOVE_STILL = 0.015  # m/s; standing on idling tracks
MOVE_BY_SPEED = 0.30  # m/s per m/s; steepest fall of ground under the tracks, 1 in 3.3


class MoveWatch:
    """True while an end has long been moving faster than the ground can make it."""

    STATE = ("over_s",)

    def __init__(self) -> None:
        self.over_s = 0.0

    def reset(self) -> None:
        """Still."""
        self.over_s = 0.0

    def update(self, dt: float, rate: float, speed: float) -> bool:
        """rate: motion that neither command nor ground explains, m/s."""
        limit = MOVE_STILL + MOVE_BY_SPEED * abs(speed)
        self.over_s = self.over_s + dt if abs(rate) > limit else 0.0
        return self.over_s > MOVE_S
