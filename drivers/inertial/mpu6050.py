"""The MPU-6050 family. Registers by RM-MPU-6000A-00 rev 4.2, chapter 3; values by chapter 4."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.errors import DeviceError
from drivers.i2c import BLOCK_MAX
from drivers.inertial.axes import NAMES, Vector
from drivers.inertial.model import DEG, GRAVITY, Fetch, Model, Reading, choose, scaled
from drivers.registers import Register, RegisterChip, Table, Write, signed16

TABLE = Table("RM-MPU-6000A-00 rev 4.2, chapter 3", (
    Register("SELF_TEST_X", 0x0D, "XA_TEST[4:2] XG_TEST[4:0]", "factory trim of the self-test"),
    Register("SELF_TEST_Y", 0x0E, "YA_TEST[4:2] YG_TEST[4:0]", "the same for y"),
    Register("SELF_TEST_Z", 0x0F, "ZA_TEST[4:2] ZG_TEST[4:0]", "the same for z"),
    Register("SELF_TEST_A", 0x10, "- - XA_TEST[1:0] YA_TEST[1:0] ZA_TEST[1:0]", "low trim bits"),
    Register("SMPLRT_DIV", 0x19, "SMPLRT_DIV[7:0]", "1 kHz / (1 + this) is the sample rate"),
    Register("CONFIG", 0x1A, "- - EXT_SYNC_SET[2:0] DLPF_CFG[2:0]", "low-pass filter"),
    Register("GYRO_CONFIG", 0x1B, "XG_ST YG_ST ZG_ST FS_SEL[1:0] - - -", "self-test, range"),
    Register("ACCEL_CONFIG", 0x1C, "XA_ST YA_ST ZA_ST AFS_SEL[1:0] - - -", "self-test, range"),
    Register("FIFO_EN", 0x23, "TEMP XG YG ZG ACCEL SLV2 SLV1 SLV0", "what goes into the FIFO"),
    Register("INT_STATUS", 0x3A, "- - - FIFO_OFLOW I2C_MST - - DATA_RDY", "cleared by reading"),
    Register("ACCEL_XOUT_H", 0x3B, "x, y, z, high byte first", "specific force", 6),
    Register("TEMP_OUT_H", 0x41, "high byte first", "die temperature, raw/340 + 36.53 C", 2),
    Register("GYRO_XOUT_H", 0x43, "x, y, z, high byte first", "rates", 6),
    Register("USER_CTRL", 0x6A, "- FIFO_EN I2C_MST I2C_IF - FIFO_RST I2C_MST_RST SIG_RST", "FIFO"),
    Register("PWR_MGMT_1", 0x6B, "RESET SLEEP CYCLE - TEMP_DIS CLKSEL[2:0]", "wakes asleep"),
    Register("PWR_MGMT_2", 0x6C, "LP_WAKE[1:0] STBY XA YA ZA XG YG ZG", "axes in standby"),
    Register("FIFO_COUNTH", 0x72, "FIFO_COUNT[15:0]", "bytes in the FIFO", 2),
    Register("FIFO_R_W", 0x74, "FIFO_DATA[7:0]", "takes the oldest byte at each read"),
    Register("WHO_AM_I", 0x75, "- WHO_AM_I[6:1] -", "0x68 whatever AD0 is"),
))  # fmt: skip

ACCEL_G = {2.0: 0, 4.0: 1, 8.0: 2, 16.0: 3}  # AFS_SEL; 16384 LSB/g at 2 g
GYRO_DPS = {250.0: 0, 500.0: 1, 1000.0: 2, 2000.0: 3}  # FS_SEL; 131 LSB/(deg/s) at 250
# DLPF_CFG: Hz of the accelerometer's filter and its delay, ms of the gyro's (4.3)
FILTERS = {184.0: (1, 2.0, 1.9), 94.0: (2, 3.0, 2.8), 44.0: (3, 4.9, 4.8), 21.0: (4, 8.5, 8.3)}

BASE_HZ = 1000.0  # with the filter on (4.2)
RESET_S = 0.1  # after DEVICE_RESET (section 4.28 and common practice)
SETTLE_S = 0.05  # gyros after waking: 30 ms (product specification) and the filter
DATA = 14  # bytes of one reading: accelerometer, temperature, gyro, in register order
FIFO_BYTES = 1024
FULL = FIFO_BYTES - DATA  # at more, bytes have been lost or are about to be
PER_BLOCK = BLOCK_MAX // DATA
BLOCKS = 4  # in one fetch: 8 readings, 3 ms at 400 kHz
TEST_OFF = 0.14  # how far the answer may be from the factory trim (product specification)


def temperature(raw: int) -> float:
    """Die temperature, degrees Celsius (4.18)."""
    return raw / 340.0 + 36.53


class Mpu6050:
    """Settings of the chip: rate, ranges, filter, and whether its FIFO is used."""

    what = "MPU-6050"
    table = TABLE
    identity: Mapping[str, int] = {"WHO_AM_I": 0x68}

    def __init__(
        self,
        rate_hz: float = 200.0,
        accel_g: float = 4.0,
        gyro_dps: float = 250.0,
        filter_hz: float = 44.0,
        fifo: bool = True,
    ) -> None:
        divider = round(BASE_HZ / rate_hz) - 1 if rate_hz > 0 else -1
        if not 0 <= divider <= 255 or abs(BASE_HZ / (1 + divider) / rate_hz - 1) > 0.01:
            raise DeviceError(f"rate {rate_hz:g} Hz is not offered; 1000 Hz divided by 1 to 256 is")
        self._afs, self._fs = choose("range", accel_g, ACCEL_G), choose("range", gyro_dps, GYRO_DPS)
        if filter_hz not in FILTERS:
            raise DeviceError(f"filter {filter_hz:g} Hz is not offered; 184, 94, 44 and 21 are")
        code, accel_ms, gyro_ms = FILTERS[filter_hz]
        self._rate_hz, self._filter_hz, self.fifo = rate_hz, filter_hz, fifo
        self.period_s = (1 + divider) / BASE_HZ
        self.delay_s = 0.5e-3 * (accel_ms + gyro_ms)
        self.spread_s = 0.5e-3 * abs(accel_ms - gyro_ms) + 0.5 / BASE_HZ
        self._accel = GRAVITY / (16384 >> self._afs)
        self._gyro = DEG / (131.0 / (1 << self._fs))  # 65.5, 32.75, 16.4 as the manual rounds it
        self.begin: Sequence[Write] = (Write("USER_CTRL", 0x04), Write("USER_CTRL", 0x40))
        self.set_up: Sequence[Write] = (
            Write("PWR_MGMT_1", 0x80, RESET_S),
            Write("PWR_MGMT_1", 0x01),  # awake, on the x gyro's oscillator, as 4.28 advises
            Write("PWR_MGMT_2", 0x00),
            Write("SMPLRT_DIV", divider),
            Write("CONFIG", code),
            Write("GYRO_CONFIG", self._fs << 3),
            Write("ACCEL_CONFIG", self._afs << 3, SETTLE_S),
            Write("FIFO_EN", 0xF8 if fifo else 0x00),
            *(self.begin if fifo else ()),
        )
        if not fifo:
            self.begin = ()
        self.test_on: Sequence[Write] = (
            Write("GYRO_CONFIG", 0xE0 | self._fs << 3),
            Write("ACCEL_CONFIG", 0xE0 | self._afs << 3, 0.25),  # s: the masses settle (chosen)
            *self.begin,
        )

    def fetch(self, chip: RegisterChip) -> Fetch:
        """Up to eight readings from the FIFO, or the newest where a new one is ready."""
        if not self.fifo:
            data = chip.block("INT_STATUS", 1 + DATA)
            return Fetch([self.decode(data[1:])] if data[0] & 0x01 else [])
        high, low = chip.block("FIFO_COUNTH", 2)
        count = high << 8 | low
        if count > FULL:
            return Fetch([], overflow=True)
        ready = count // DATA
        readings: list[Reading] = []
        while len(readings) < min(ready, BLOCKS * PER_BLOCK):
            n = min(ready - len(readings), PER_BLOCK)
            data = chip.block("FIFO_R_W", n * DATA)
            readings += [self.decode(data[i * DATA : (i + 1) * DATA]) for i in range(n)]
        return Fetch(readings, ready - len(readings))

    def forget(self) -> None:
        """Nothing is kept between two fetches."""

    def decode(self, data: bytes) -> Reading:
        """14 bytes: accelerometer, temperature, gyro."""
        raw = [signed16(data[i], data[i + 1]) for i in range(0, DATA, 2)]
        return Reading(
            scaled(raw[0:3], self._accel), scaled(raw[4:7], self._gyro), temperature(raw[3])
        )

    def for_test(self) -> Model:
        """The trim is given for 8 g and 250 deg/s (4.1)."""
        return Mpu6050(self._rate_hz, 8.0, 250.0, self._filter_hz, self.fifo)

    def judge(self, chip: RegisterChip, change: Reading) -> list[str]:
        """Each axis against the factory trim in the chip."""
        accel, gyro = trims(chip.block("SELF_TEST_X", 4))
        words = []
        for kind, trim, got, unit in (
            ("accelerometer", accel, change.accel, GRAVITY / 4096),
            ("gyro", gyro, change.gyro, DEG / 131),
        ):
            for axis in range(3):
                if trim[axis] == 0.0:
                    words.append(f"{kind} {NAMES[axis]} has no factory trim, so no self-test")
                elif not abs(off := got[axis] / unit / trim[axis] - 1.0) <= TEST_OFF:
                    words.append(
                        f"{kind} {NAMES[axis]} answers its self-test {100 * off:+.0f} % off the "
                        f"factory trim; {100 * TEST_OFF:.0f} % is the limit: replace the sensor"
                    )
        return words


def trims(data: bytes) -> tuple[Vector, Vector]:
    """Factory trims in LSB, accelerometer at 8 g and gyro at 250 deg/s (4.1); 0: none."""
    low = data[3]
    a = [data[i] >> 5 << 2 | low >> (4 - 2 * i) & 3 for i in range(3)]
    g = [data[i] & 0x1F for i in range(3)]
    accel = [4096 * 0.34 * (0.92 / 0.34) ** ((v - 1) / 30) if v else 0.0 for v in a]
    gyro = [25 * 131 * 1.046 ** (v - 1) if v else 0.0 for v in g]
    gyro[1] = -gyro[1]
    return Vector(*accel), Vector(*gyro)
