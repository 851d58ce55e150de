"""A chip's self-test: readings without its force, readings with it, and the verdict.

The blade stands still meanwhile. The driver gives no samples until the test is over.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.inertial.model import Model, Reading, less, mean
from drivers.registers import RegisterChip

READINGS = 50  # a half: 0.25 s at 200 Hz (chosen; the noise of the mean is 1/7)
STILL_RAD_S = 0.05  # spread of the rates within a half beyond which the blade was not still


class Verdict(NamedTuple):
    """good with nothing in words, or what is wrong; change: the answer, None where none came."""

    good: bool
    words: tuple[str, ...]
    change: Reading | None


class SelfTest:
    """Collects the two halves."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.off: list[Reading] = []
        self.on: list[Reading] = []
        self.forced = False

    def take(self, readings: list[Reading]) -> bool:
        """Add readings to the half that runs; True once it is full."""
        half = self.on if self.forced else self.off
        half.extend(readings)
        return len(half) >= READINGS

    def verdict(self, chip: RegisterChip) -> Verdict:
        """Of both halves. Fails with OSError where the chip must be asked."""
        change = less(mean(self.on), mean(self.off))
        words = self.model.judge(chip, change)
        if max(map(_spread, (self.off, self.on))) > STILL_RAD_S:
            words = ["the sensor was not still during its self-test; test again with the blade "
                     "down and the engine off"]  # fmt: skip
        return Verdict(not words, tuple(words), change)


def _spread(readings: list[Reading]) -> float:
    """The largest standard deviation of a rate (rad/s)."""
    centre = mean(readings).gyro
    return max(
        math.sqrt(math.fsum((r.gyro[i] - centre[i]) ** 2 for r in readings) / len(readings))
        for i in range(3)
    )
