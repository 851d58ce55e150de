"""The companion board's frames as samples. Nothing is told whose time is not mapped to ours."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from drivers.board import codec
from drivers.samples import DriverSample, Echo, InertialSample, RangePing, Validity

# InvenSense RM-MPU-6000A-00 rev 4.2, 4.17 to 4.19, at the ranges that drivers/board/inertial.py
# sets: +-4 g is 8192 LSB/g, +-250 deg/s is 131 LSB per deg/s, T = raw / 340 + 36.53.
MPU_ACCEL = 9.80665 / 8192
MPU_GYRO = math.radians(1 / 131)

Mapping = Callable[[int], float | None]


def pings(device: str, fields: Sequence[int], ours_s: Mapping) -> list[RangePing]:
    """One firing: ping, element, count of echoes, ticks of firing, four flights in us."""
    _, element, count, fired, *flights = fields
    at_s = ours_s(fired)
    if at_s is None:
        return []
    heard = [flight * 1e-6 for flight in flights[:count]]
    echoes = tuple(Echo(at_s + flight / 2, flight) for flight in heard)
    validity = Validity.OK if echoes else Validity.NOTHING
    return [RangePing(device, at_s, validity, element, echoes)]


def inertial(device: str, fields: Sequence[int], ours_s: Mapping) -> list[InertialSample]:
    """A batch: sensor, count, ticks of the first, then a time after it and seven raw words."""
    sensor, count, first, *words = fields
    found: list[InertialSample] = []
    if sensor != codec.MPU6050:
        return found
    for n in range(min(count, codec.BATCH)):
        after, *raw = words[8 * n : 8 * n + 8]
        at_s = ours_s((first + after) % codec.TICKS)
        if at_s is not None:
            found.append(_inertial(device, at_s, raw))
    return found


def _inertial(device: str, at_s: float, raw: Sequence[int]) -> InertialSample:
    ax, ay, az = (value * MPU_ACCEL for value in raw[:3])
    gx, gy, gz = (value * MPU_GYRO for value in raw[4:])
    return InertialSample(device, at_s, Validity.OK, ax, ay, az, gx, gy, gz, raw[3] / 340 + 36.53)


def inputs(device: str, sent: int, bits: int, ours_s: Mapping) -> list[DriverSample]:
    """The driver's inputs as they were when the frame was sent."""
    at_s = ours_s(sent)
    if at_s is None:
        return []
    held = (bool(bits & bit) for bit in (codec.ENABLE, codec.LEFT, codec.RIGHT))
    return [DriverSample(device, at_s, Validity.OK, *held)]


def identity_of(hello: Sequence[int | bytes]) -> bytes:
    """Eight bytes that no other board has."""
    identity = hello[5]
    return identity if isinstance(identity, bytes) else b""


def trouble(hello: Sequence[int | bytes], wanted: bytes | None, path: str) -> str:
    """Why a board that answers so will not do, in a sentence; empty when it will."""
    version, flags = int(hello[0]), int(hello[4])
    if version != codec.VERSION:
        return (
            f"the board at {path} speaks version {version} of the protocol, this program "
            f"{codec.VERSION}; put the board's program of this release on it"
        )
    if wanted is not None and identity_of(hello) != wanted:
        return (
            f"the board at {path} calls itself {identity_of(hello).hex()}, not {wanted.hex()}; "
            "is another one plugged in?"
        )
    if not flags & codec.HARD_TIMER:
        return (
            f"the MicroPython of the board at {path} cannot keep the lease in interrupts, so it "
            "never arms; put version 1.26 or later on it"
        )
    return ""
