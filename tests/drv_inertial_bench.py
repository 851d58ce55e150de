"""An inertial chip on a bench: stand-in bus, driver, and a clock that ticks."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from drivers.i2c import Bus
from drivers.inertial.axes import Axes
from drivers.inertial.bno055 import Bno055
from drivers.inertial.driver import Inertial
from drivers.inertial.lsm6dso import Lsm6dso
from drivers.inertial.model import GRAVITY, Model
from drivers.inertial.mpu6050 import Mpu6050
from drivers.samples import InertialSample
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.inertial_chips import (
    Bno055Chip,
    InertialChip,
    Lsm6dsoChip,
    Motion,
    Mpu6050Chip,
)

TICK = 0.01
Make = tuple[type[InertialChip], Callable[[], Model]]
KINDS: dict[str, Make] = {
    "mpu6050": (Mpu6050Chip, Mpu6050),
    "mpu6050-ready": (Mpu6050Chip, lambda: Mpu6050(fifo=False)),
    "lsm6dso": (Lsm6dsoChip, Lsm6dso),
    "bno055": (Bno055Chip, Bno055),
}
WITH_FIFO = ["mpu6050", "lsm6dso"]
ADDRESS = 0x68


def shaken(t: float) -> tuple[float, float, float, float, float, float]:
    """At rest but for a little vibration, so that no two readings are the same."""
    wave = 0.2 * math.sin(37.0 * t)
    return (wave, -wave, GRAVITY + wave, 0.1 * wave, 0.05 * wave, 0.02 * wave)


class Bench:
    """A chip on a bus, its driver, and a clock that ticks."""

    def __init__(
        self, kind: str, motion: Motion = shaken, rate_error: float = 0.0, axes: Axes | None = None
    ) -> None:
        chip, model = KINDS[kind]
        self.now = 0.0
        self.bus = StandInBus()
        self.chip = chip(lambda: self.now, motion, rate_error)
        self.bus.attach(ADDRESS, self.chip)
        shared = Bus("i2c", lambda path: self.bus)
        self.driver = Inertial("imu", shared, model(), ADDRESS, axes=axes)

    def run(self, seconds: float, jitter_s: float = 0.0, seed: int = 1) -> list[InertialSample]:
        """Tick for so long; every sample that came."""
        rng = random.Random(seed)
        out: list[InertialSample] = []
        start = self.now
        for i in range(round(seconds / TICK)):
            self.now = start + (i + 1) * TICK + rng.random() * jitter_s
            out += self.driver.read(self.now)
        self.now = start + seconds
        return out
