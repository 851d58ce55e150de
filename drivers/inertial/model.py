"""What a chip must say of itself so that the driver can run it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from drivers.errors import DeviceError
from drivers.inertial.axes import Vector
from drivers.registers import RegisterChip, Table, Write

GRAVITY = 9.80665  # m/s2, the standard value: what a chip's "g" means
DEG = math.pi / 180


class Reading(NamedTuple):
    """One reading in the chip's own axes: m/s2, rad/s, degrees Celsius."""

    accel: Vector
    gyro: Vector
    temperature_c: float | None


class Fetch(NamedTuple):
    """What one look at the chip gave, oldest first; left: whole readings still in its FIFO."""

    readings: list[Reading]
    left: int = 0
    overflow: bool = False


class Model(Protocol):
    """One kind of chip with its settings."""

    what: str
    table: Table
    identity: Mapping[str, int]
    period_s: float
    delay_s: float  # from motion to ready, the chip's own filters
    spread_s: float  # of that delay
    fifo: bool
    set_up: Sequence[Write]
    begin: Sequence[Write]  # empties the FIFO; begins a new run
    test_on: Sequence[Write]  # moves the chip's masses by a known force; none: no self-test

    def fetch(self, chip: RegisterChip) -> Fetch:
        """What is new. Fails with OSError."""
        ...

    def forget(self) -> None:
        """The chip is set up or its FIFO emptied: what was half read is void."""
        ...

    def for_test(self) -> Model:
        """The same chip with the ranges at which its self-test is specified."""
        ...

    def judge(self, chip: RegisterChip, change: Reading) -> list[str]:
        """What is wrong with the answer to the test's force, in words."""
        ...


def choose(what: str, wanted: float, offered: Mapping[float, int]) -> int:
    """The register's code for a range or rate. Fails with one sentence."""
    for value, code in offered.items():
        if wanted == value:
            return code
    listed = ", ".join(f"{value:g}" for value in offered)
    raise DeviceError(f"{what} {wanted:g} is not offered by the chip; {listed} are")


def scaled(raw: Sequence[int], scale: float) -> Vector:
    """Three raw numbers times a scale."""
    return Vector(raw[0] * scale, raw[1] * scale, raw[2] * scale)


def mean(readings: Sequence[Reading]) -> Reading:
    """Mean of accelerations and rates."""
    n = len(readings)
    accel = Vector(*(math.fsum(r.accel[i] for r in readings) / n for i in range(3)))
    gyro = Vector(*(math.fsum(r.gyro[i] for r in readings) / n for i in range(3)))
    return Reading(accel, gyro, readings[-1].temperature_c)


def less(a: Reading, b: Reading) -> Reading:
    """a - b, axis by axis."""
    return Reading(
        Vector(*(p - q for p, q in zip(a.accel, b.accel, strict=True))),
        Vector(*(p - q for p, q in zip(a.gyro, b.gyro, strict=True))),
        None,
    )
