"""The inertial sensor on the board's I2C: MPU-6050.

Registers after InvenSense RM-MPU-6000A-00 rev 4.2, section 3 (register map).
"""

import struct

from . import codec
from .ticks import ticks_add, ticks_diff, ticks_us

ADDRESS = 0x68
SMPLRT_DIV = 0x19
CONFIG = 0x1A
GYRO_CONFIG = 0x1B
ACCEL_CONFIG = 0x1C
ACCEL_XOUT_H = 0x3B  # then y, z, temperature, gyro x, y, z; all big-endian, high byte first
PWR_MGMT_1 = 0x6B
WHO_AM_I = 0x75  # reads 0x68, whatever the address pin says

SETTINGS = (
    (PWR_MGMT_1, 0x01),  # awake, clock from the x gyro
    (SMPLRT_DIV, 4),  # 1 kHz / 5
    (CONFIG, 3),  # low-pass at 44 Hz
    (GYRO_CONFIG, 0x00),  # +-250 deg/s: 131 LSB per deg/s
    (ACCEL_CONFIG, 0x08),  # +-4 g: 8192 LSB per g
)
RETRY_US = 500_000


class Mpu6050:
    """`read` gives seven raw words (ax ay az temperature gx gy gz), or None while it is away."""

    sensor = codec.MPU6050

    def __init__(self, bus) -> None:  # type: ignore[no-untyped-def]
        self._bus = bus
        self._raw = bytearray(14)
        self._there = False
        self._next = ticks_us()

    def read(self, now: int):  # type: ignore[no-untyped-def]
        try:
            if self._there or self._opened(now):
                self._bus.readfrom_mem_into(ADDRESS, ACCEL_XOUT_H, self._raw)
                return struct.unpack(">7h", self._raw)
        except OSError:
            self._there = False
        return None

    def _opened(self, now: int) -> bool:
        if ticks_diff(now, self._next) < 0:
            return False
        self._next = ticks_add(now, RETRY_US)
        if self._bus.readfrom_mem(ADDRESS, WHO_AM_I, 1) != b"\x68":
            return False
        for register, value in SETTINGS:
            self._bus.writeto_mem(ADDRESS, register, bytes((value,)))
        self._there = True
        return True
