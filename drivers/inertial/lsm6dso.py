"""The LSM6DSO family. Registers by DS12140 rev 2, chapters 8 and 9; values by its table 2."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.i2c import BLOCK_MAX
from drivers.inertial.axes import NAMES, Vector
from drivers.inertial.model import DEG, GRAVITY, Fetch, Model, Reading, choose, scaled
from drivers.registers import Register, RegisterChip, Table, Write, signed16

TABLE = Table("DS12140 rev 2, chapters 8 and 9", (
    Register("FIFO_CTRL3", 0x09, "BDR_GY[3:0] BDR_XL[3:0]", "rates into the FIFO"),
    Register("FIFO_CTRL4", 0x0A, "DEC_TS[1:0] ODR_T[1:0] - FIFO_MODE[2:0]", "0 empties, 6 runs"),
    Register("WHO_AM_I", 0x0F, "0 1 1 0 1 1 0 0", "0x6C"),
    Register("CTRL1_XL", 0x10, "ODR_XL[3:0] FS[1:0]_XL LPF2_XL_EN 0", "accelerometer"),
    Register("CTRL2_G", 0x11, "ODR_G[3:0] FS[1:0]_G FS_125 0", "gyro"),
    Register("CTRL3_C", 0x12, "BOOT BDU H_LACTIVE PP_OD SIM IF_INC 0 SW_RESET", "control"),
    Register("CTRL5_C", 0x14, "XL_ULP ROUNDING[1:0] 0 ST[1:0]_G ST[1:0]_XL", "self-test"),
    Register("STATUS_REG", 0x1E, "0 0 0 0 0 GYRO_SETTLING|TDA GDA XLDA", "what is new"),
    Register("OUT_TEMP_L", 0x20, "low byte first", "256 LSB/C, 0 at 25 C", 2),
    Register("OUTX_L_G", 0x22, "x, y, z, low byte first", "rates", 6),
    Register("OUTX_L_A", 0x28, "x, y, z, low byte first", "specific force", 6),
    Register("FIFO_STATUS1", 0x3A, "DIFF_FIFO[7:0]", "unread words"),
    Register("FIFO_STATUS2", 0x3B, "WTM OVR FULL BDR OVR_LATCHED 0 DIFF_FIFO[9:8]", "flags"),
    Register("FIFO_DATA_OUT_TAG", 0x78, "TAG_SENSOR[4:0] TAG_CNT[1:0] TAG_PARITY", "of a word"),
    Register("FIFO_DATA_OUT_X_L", 0x79, "x, y, z, low byte first", "the word itself", 6),
))  # fmt: skip

RATES = {52.0: 3, 104.0: 4, 208.0: 5, 416.0: 6, 833.0: 7}  # ODR and BDR codes
ACCEL_G = {2.0: 0, 16.0: 1, 4.0: 2, 8.0: 3}  # FS_XL: not in the order of size
GYRO_DPS = {250.0: 0, 500.0: 1, 1000.0: 2, 2000.0: 3}  # FS_G
MG_AT_2G = 0.061  # mg/LSB; doubles with the range
MDPS_AT_250 = 8.75  # mdps/LSB; doubles with the range: not 250000/32768

RESET_S = 0.02  # after SW_RESET (50 us by the application note; chosen long)
SETTLE_S = 0.1  # first gyro readings are to be thrown away: 70 ms (application note AN5192)
DELAY_PERIODS = 1.0  # the filters' delay is near one period; no figure in the datasheet (chosen)
WORD = 7  # a tag and three numbers
PER_BLOCK = BLOCK_MAX // WORD
BLOCKS = 4  # in one fetch: 16 words, 8 readings
OVERRUN = 0x48  # OVR or OVR_LATCHED in FIFO_STATUS2
GYRO, ACCEL, TEMPERATURE = 1, 2, 3  # TAG_SENSOR

ACCEL_TEST = (50e-3 * GRAVITY, 1700e-3 * GRAVITY)  # change under self-test, table 2
GYRO_TEST = (150 * DEG, 700 * DEG)  # at 2000 deg/s, table 2


class Pairing:
    """Tagged words to readings. Words of one instant bear the same count of 0 to 3."""

    def __init__(self, accel: float, gyro: float) -> None:
        self._accel, self._gyro = accel, gyro
        self.temperature_c: float | None = None
        self.half = self.unknown = 0  # readings of which a part was missing; tags not asked for
        self.reset()

    def reset(self) -> None:
        """Forget a half reading."""
        self._slot: int | None = None
        self._parts: dict[int, Vector] = {}

    @property
    def open_words(self) -> int:
        """Words of a reading whose other part is still to come."""
        return len(self._parts)

    def word(self, data: bytes) -> Reading | None:
        """One word of 7 bytes; a reading once it is whole."""
        kind, slot = data[0] >> 3, data[0] >> 1 & 3
        raw = [signed16(data[i + 1], data[i]) for i in (1, 3, 5)]
        if kind == TEMPERATURE:
            self.temperature_c = 25.0 + raw[0] / 256.0
            return None
        if kind not in (GYRO, ACCEL):
            self.unknown += 1
            return None
        if self._parts and (slot != self._slot or kind in self._parts):
            self.half += 1
            self._parts = {}
        self._slot = slot
        self._parts[kind] = scaled(raw, self._gyro if kind == GYRO else self._accel)
        if len(self._parts) < 2:
            return None
        parts, self._parts = self._parts, {}
        return Reading(parts[ACCEL], parts[GYRO], self.temperature_c)


class Lsm6dso:
    """Settings of the chip; its FIFO always runs."""

    what = "LSM6DSO"
    table = TABLE
    identity: Mapping[str, int] = {"WHO_AM_I": 0x6C}
    fifo = True

    def __init__(
        self, rate_hz: float = 208.0, accel_g: float = 4.0, gyro_dps: float = 250.0
    ) -> None:
        rate = choose("rate", rate_hz, RATES)
        xl, g = choose("range", accel_g, ACCEL_G), choose("range", gyro_dps, GYRO_DPS)
        self._rate_hz = rate_hz
        self.period_s = 1.0 / rate_hz
        self.delay_s = DELAY_PERIODS * self.period_s
        self.spread_s = 0.5 * self.period_s
        self._words = Pairing(
            MG_AT_2G * 1e-3 * GRAVITY * accel_g / 2.0, MDPS_AT_250 * 1e-3 * DEG * gyro_dps / 250.0
        )
        self._step = 0
        self.begin: Sequence[Write] = (Write("FIFO_CTRL4", 0x00), Write("FIFO_CTRL4", 0x16))
        self.set_up: Sequence[Write] = (
            Write("CTRL3_C", 0x01, RESET_S),
            Write("CTRL3_C", 0x44),  # BDU: both bytes of a number from one instant; IF_INC
            Write("FIFO_CTRL3", rate << 4 | rate),
            Write("CTRL1_XL", rate << 4 | xl << 2),
            Write("CTRL2_G", rate << 4 | g << 2, SETTLE_S),
            *self.begin,
        )
        self.test_on: Sequence[Write] = (Write("CTRL5_C", 0x05, SETTLE_S), *self.begin)

    @property
    def counts(self) -> dict[str, int]:
        """Words that made no reading."""
        return {"half": self._words.half, "unknown_tag": self._words.unknown}

    def fetch(self, chip: RegisterChip) -> Fetch:
        """Up to eight readings from the FIFO."""
        low, high = chip.block("FIFO_STATUS1", 2)
        if high & OVERRUN:
            return Fetch([], overflow=True)
        waiting = (high & 3) << 8 | low
        readings: list[Reading] = []
        for _ in range(BLOCKS):
            n = min(waiting, PER_BLOCK)
            if n == 0:
                break
            # from 7Eh the address goes back to 78h by itself, so words follow each other
            data = chip.block("FIFO_DATA_OUT_TAG", n * WORD)
            waiting -= n
            readings += [
                reading
                for i in range(n)
                if (reading := self._words.word(data[i * WORD : (i + 1) * WORD]))
            ]
        return Fetch(readings, (waiting + self._words.open_words) // 2)

    def forget(self) -> None:
        """A half reading from before is none."""
        self._words.reset()

    def for_test(self) -> Model:
        """The limits are given for 2000 deg/s; 4 g as the application note has it."""
        return Lsm6dso(self._rate_hz, 4.0, 2000.0)

    def judge(self, chip: RegisterChip, change: Reading) -> list[str]:
        """Each axis against the limits of the datasheet's table 2."""
        words = []
        for kind, got, (least, most), unit, name in (
            ("accelerometer", change.accel, ACCEL_TEST, 1e-3 * GRAVITY, "mg"),
            ("gyro", change.gyro, GYRO_TEST, DEG, "deg/s"),
        ):
            for axis in range(3):
                if not least <= abs(got[axis]) <= most:
                    words.append(
                        f"{kind} {NAMES[axis]} changes by {abs(got[axis]) / unit:.0f} {name} in "
                        f"its self-test; {least / unit:.0f} to {most / unit:.0f} are the limits: "
                        "replace the sensor"
                    )
        return words
