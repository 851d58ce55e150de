"""The BNO055 in raw mode, its own fusion off. Registers by BST-BNO055-DS000-14, chapter 4.

It has no FIFO: the driver looks at it in every tick, and what is unchanged bit for bit is no new
reading. It stretches the clock, which not every bus bears: docs/inertial.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.inertial.axes import Vector
from drivers.inertial.model import DEG, Fetch, Model, Reading, scaled
from drivers.registers import Register, RegisterChip, Table, Write, signed16

TABLE = Table("BST-BNO055-DS000-14, chapter 4, page 0", (
    Register("CHIP_ID", 0x00, "CHIP_ID[7:0]", "0xA0"),
    Register("ACC_ID", 0x01, "ACC_ID[7:0]", "0xFB"),
    Register("MAG_ID", 0x02, "MAG_ID[7:0]", "0x32"),
    Register("GYR_ID", 0x03, "GYR_ID[7:0]", "0x0F"),
    Register("PAGE_ID", 0x07, "PAGE_ID[7:0]", "which page the other registers are of"),
    Register("ACC_DATA_X_LSB", 0x08, "x, y, z, low byte first", "100 LSB per m/s2", 6),
    Register("MAG_DATA_X_LSB", 0x0E, "x, y, z, low byte first", "not used", 6),
    Register("GYR_DATA_X_LSB", 0x14, "x, y, z, low byte first", "16 LSB per deg/s", 6),
    Register("TEMP", 0x34, "signed", "1 C per LSB"),
    Register("ST_RESULT", 0x36, "- - - - ST_MCU ST_GYR ST_MAG ST_ACC", "1: passed at power-on"),
    Register("UNIT_SEL", 0x3B, "ORI - - TEMP - EUL GYR ACC", "0: m/s2, deg/s, C"),
    Register("OPR_MODE", 0x3D, "- - - - MODE[3:0]", "0 configuration, 5 accelerometer and gyro"),
    Register("PWR_MODE", 0x3E, "- - - - - - MODE[1:0]", "0 normal"),
    Register("SYS_TRIGGER", 0x3F, "CLK_SEL RST_INT RST_SYS - - - - SELF_TEST", "reset"),
))  # fmt: skip

ACCEL_LSB = 100.0  # per m/s2 (table 3-17 of units)
GYRO_LSB = 16.0  # per deg/s (table 3-22)
PERIOD_S = 0.01  # the data registers are renewed at 100 Hz (table 3-14)
DELAY_S = 0.007  # accelerometer 62.5 Hz, gyro 32 Hz filters as they wake up; estimated, no source
TO_CONFIG_S, FROM_CONFIG_S = 0.019, 0.007  # switching the mode (table 3-6)
RESET_S = 0.65  # from reset to ready (section 1.2)
DATA = 18  # bytes from the accelerometer to the gyro, with the magnetometer between
WARM_LOOKS = 100  # between two looks at the temperature, which is slow
TESTED = {0x01: "accelerometer", 0x04: "gyro", 0x08: "controller"}  # bits of ST_RESULT in use


class Bno055:
    """Raw accelerometer and gyro, in units that need no setting."""

    what = "BNO055"
    table = TABLE
    identity: Mapping[str, int] = {
        "CHIP_ID": 0xA0, "ACC_ID": 0xFB, "MAG_ID": 0x32, "GYR_ID": 0x0F,
    }  # fmt: skip
    fifo = False
    period_s = PERIOD_S
    delay_s = DELAY_S
    spread_s = 0.004
    begin: Sequence[Write] = ()
    # The reset before it starts the power-on self-test; its result stays to be read.
    set_up: Sequence[Write] = (
        Write("SYS_TRIGGER", 0x20, RESET_S),
        Write("PAGE_ID", 0x00),
        Write("OPR_MODE", 0x00, TO_CONFIG_S),
        Write("PWR_MODE", 0x00),
        Write("UNIT_SEL", 0x00),
        Write("OPR_MODE", 0x05, FROM_CONFIG_S + PERIOD_S),
    )
    test_on: Sequence[Write] = (Write("PAGE_ID", 0x00),)  # the test ran at the reset

    def __init__(self) -> None:
        self._before: bytes | None = None
        self._looks = 0
        self._temperature: float | None = None

    def fetch(self, chip: RegisterChip) -> Fetch:
        """The newest reading, where it differs from the one before."""
        data = chip.block("ACC_DATA_X_LSB", DATA)
        data = data[:6] + data[12:]
        if self._before in (None, data):  # the first look finds what was there before
            self._before = data
            return Fetch([])
        if self._looks % WARM_LOOKS == 0:
            raw = chip.read("TEMP")
            self._temperature = float(raw - 256 if raw & 0x80 else raw)
        self._looks += 1
        self._before = data
        return Fetch([self.decode(data)])

    def forget(self) -> None:
        """After a change of mode the first look finds zeros or what was measured before it."""
        self._before = None

    def decode(self, data: bytes) -> Reading:
        """12 bytes: accelerometer, gyro."""
        raw = [signed16(data[i + 1], data[i]) for i in range(0, 12, 2)]
        accel: Vector = scaled(raw[:3], 1.0 / ACCEL_LSB)
        return Reading(accel, scaled(raw[3:], DEG / GYRO_LSB), self._temperature)

    def for_test(self) -> Model:
        """A reset runs the chip's own test."""
        return Bno055()

    def judge(self, chip: RegisterChip, change: Reading) -> list[str]:
        """What the chip found at its power-on."""
        result = chip.read("ST_RESULT")
        return [
            f"the {part} failed the chip's own test; replace the sensor"
            for bit, part in TESTED.items()
            if not result & bit
        ]
