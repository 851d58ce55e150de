"""What one tick hands to the blade, and what a datum owes to the grade. SI units, radians."""

from __future__ import annotations

import math

import msgspec

from firmware_py.messages import LEFT, RIGHT, Side


class Attitude(msgspec.Struct, frozen=True, gc=False):
    """What the tilt gives each tick: rad, rad/s; variance of the roll.

    roll_rate and pitch_rate are derivatives of roll and pitch as the gyros see them: the steps by
    which gravity corrects the tilt are no motion of the blade.
    """

    roll: float
    pitch: float
    roll_rate: float
    pitch_rate: float
    yaw_rate: float
    roll_variance: float


class Moment(msgspec.Struct, frozen=True, gc=False):
    """One tick: its length (s), attitude, speed (m/s; None: not known), a hand on either lever."""

    dt: float
    tilt: Attitude
    speed: float | None
    hands: dict[Side, bool]

    @property
    def by_hand(self) -> bool:
        return self.hands[LEFT] or self.hands[RIGHT]


class Sight(msgspec.Struct, frozen=True):
    """How a height over the reference leans on the grade: clearance square to it, bar ahead, m."""

    grade: float
    square: float
    ahead: float

    def shift(self, grade: float) -> float:
        """What the height would have been more on another grade, m."""
        gain = 1.0 / math.cos(grade) - 1.0 / math.cos(self.grade)
        return self.square * gain - (math.tan(grade) - math.tan(self.grade)) * self.ahead


NO_SIGHT = Sight(0.0, 0.0, 0.0)
