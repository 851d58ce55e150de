"""Inertial chips: registers, scales and decoders against published values; axes by hand."""

from __future__ import annotations

import itertools
import math
import random

import pytest

from drivers.errors import DeviceError
from drivers.inertial import bno055, lsm6dso, mpu6050
from drivers.inertial.axes import Axes, Vector
from drivers.inertial.bno055 import Bno055
from drivers.inertial.lsm6dso import Lsm6dso, Pairing
from drivers.inertial.model import DEG, GRAVITY
from drivers.inertial.mpu6050 import Mpu6050, temperature, trims
from drivers.registers import Register, Table


def big(*numbers: int) -> bytes:
    return b"".join(n.to_bytes(2, "big", signed=True) for n in numbers)


def little(*numbers: int) -> bytes:
    return b"".join(n.to_bytes(2, "little", signed=True) for n in numbers)


@pytest.mark.parametrize(
    ("table", "name", "address"),
    [
        # RM-MPU-6000A-00 rev 4.2 p.45 and p.15
        (mpu6050.TABLE, "WHO_AM_I", 0x75),
        (mpu6050.TABLE, "ACCEL_CONFIG", 0x1C),
        (mpu6050.TABLE, "TEMP_OUT_H", 0x41),
        (mpu6050.TABLE, "GYRO_XOUT_H", 0x43),
        (mpu6050.TABLE, "ACCEL_XOUT_H", 0x3B),
        # DS12140 rev 2
        (lsm6dso.TABLE, "WHO_AM_I", 0x0F),
        (lsm6dso.TABLE, "FIFO_DATA_OUT_TAG", 0x78),
    ],
)
def test_addresses_are_those_of_the_datasheet(table: Table, name: str, address: int) -> None:
    assert table[name].address == address


def test_identities_are_those_of_the_datasheets() -> None:
    """RM-MPU-6000A-00 p.45; the LSM6DSO's public driver; BNO055: metacpan Device::Chip::BNO055."""
    assert Mpu6050.identity == {"WHO_AM_I": 0x68}
    assert Lsm6dso.identity == {"WHO_AM_I": 0x6C}
    assert list(Bno055.identity.values()) == [0xA0, 0xFB, 0x32, 0x0F]
    assert [bno055.TABLE[name].address for name in Bno055.identity] == [0, 1, 2, 3]


def test_a_table_out_of_order_is_refused() -> None:
    with pytest.raises(ValueError, match="twice or out of order"):
        Table("t", (Register("B", 2, "", ""), Register("A", 1, "", "")))
    with pytest.raises(ValueError, match="twice or out of order"):
        Table("t", (Register("A", 1, "", ""), Register("A", 2, "", "")))


def test_mpu6050_temperature() -> None:
    """RM-MPU-6000A-00 4.18: raw/340 + 36.53, so -521 is 34.998 C (checks.md)."""
    assert temperature(-521) == pytest.approx(34.998, abs=5e-4)
    assert temperature(0) == 36.53


@pytest.mark.parametrize(("g", "lsb"), [(2, 16384), (4, 8192), (8, 4096), (16, 2048)])
def test_mpu6050_accelerometer(g: float, lsb: int) -> None:
    """16384 LSB/g at 2 g, halving (checks.md: electrodragon chip notes, public drivers)."""
    got = Mpu6050(accel_g=g).decode(big(lsb, -lsb, 0, 0, 0, 0, 0))
    assert got.accel == pytest.approx((GRAVITY, -GRAVITY, 0.0))


@pytest.mark.parametrize(("dps", "lsb"), [(250, 131), (500, 65.5), (1000, 32.8), (2000, 16.4)])
def test_mpu6050_gyro(dps: float, lsb: float) -> None:
    """131, 65.5, 32.8, 16.4 LSB per deg/s (checks.md); the last two are rounded in print."""
    got = Mpu6050(gyro_dps=dps).decode(big(0, 0, 0, 0, round(100 * lsb), 0, 0))
    assert got.gyro.x / DEG == pytest.approx(100.0, rel=2e-3)


def test_mpu6050_two_percent_crossfall() -> None:
    """2 % is 327.6 LSB of 16384/g (checks.md, derived)."""
    got = Mpu6050(accel_g=2).decode(big(0, 328, 16381, 0, 0, 0, 0))
    assert math.tan(math.atan2(got.accel.y, got.accel.z)) == pytest.approx(0.02, abs=4e-5)


def test_mpu6050_trims() -> None:
    """RM-MPU-6000A-00 rev 4.2, 4.1: codes from their bits; 0 is none; y of the gyro negative."""
    accel, gyro = trims(bytes([0b101_00001, 0, 0b000_11111, 0b00_10_00_01]))
    assert accel == pytest.approx((4096 * 0.34 * (0.92 / 0.34) ** (21 / 30), 0.0, 1392.64))
    assert gyro == pytest.approx((3275.0, 0.0, 3275 * 1.046**30))
    assert trims(bytes([0, 1, 0, 0]))[1].y == -3275.0


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"rate_hz": 300.0}, "rate 300 Hz is not offered"),
        ({"rate_hz": 0.0}, "rate 0 Hz"),
        ({"accel_g": 3.0}, "range 3 is not offered by the chip; 2, 4, 8, 16 are"),
        ({"gyro_dps": 100.0}, "range 100"),
        ({"filter_hz": 50.0}, "filter 50 Hz"),
    ],
)
def test_mpu6050_refuses_what_it_does_not_offer(settings: dict[str, float], words: str) -> None:
    with pytest.raises(DeviceError, match=words):
        Mpu6050(**settings)


def lsm_pair(model: Lsm6dso, gyro: int, accel: int) -> tuple[float, float]:
    """x of the gyro (deg/s) and of the accelerometer (mg) for raw numbers."""
    words = model._words
    assert words.word(bytes([1 << 3]) + little(gyro, 0, 0)) is None
    got = words.word(bytes([2 << 3]) + little(accel, 0, 0))
    assert got is not None
    return got.gyro.x / DEG, got.accel.x / GRAVITY * 1e3


def test_lsm6dso_scales() -> None:
    """0.061 mg/LSB at 2 g and 70 mdps/LSB at 2000 (DS12140 rev 2 p.11); 8.75 at 250:
    100 dps = 0x2CA4, 200 dps = 0x5949 (application note table, qa-community.st.com 71844)."""
    dps, mg = lsm_pair(Lsm6dso(accel_g=2, gyro_dps=250), 0x2CA4, 1000)
    assert (dps, mg) == (pytest.approx(100.0, abs=0.01), pytest.approx(61.0))
    assert lsm_pair(Lsm6dso(gyro_dps=250), 0x5949, 0)[0] == pytest.approx(200.0, abs=0.01)
    assert lsm_pair(Lsm6dso(gyro_dps=2000), 1000, 0)[0] == pytest.approx(70.0)
    # not the full scale divided by 32768: that would give 87.2
    assert abs(lsm_pair(Lsm6dso(gyro_dps=250), 0x2CA4, 0)[0] - 87.2) > 10


@pytest.mark.parametrize(("g", "mg"), [(2, 0.061), (4, 0.122), (8, 0.244), (16, 0.488)])
def test_lsm6dso_ranges(g: float, mg: float) -> None:
    """DS12140 rev 2, table 2."""
    assert lsm_pair(Lsm6dso(accel_g=g), 0, 1000)[1] == pytest.approx(1000 * mg)


def test_lsm6dso_temperature() -> None:
    """256 LSB/C, 0 at 25 C (checks.md: from memory)."""
    words = Pairing(1.0, 1.0)
    words.word(bytes([3 << 3]) + little(-256, 0, 0))
    assert words.temperature_c == 24.0


def test_lsm6dso_words_of_two_instants_are_not_paired() -> None:
    words = Pairing(1.0, 1.0)
    tag = lambda kind, slot: bytes([kind << 3 | slot << 1])  # noqa: E731
    assert words.word(tag(1, 0) + little(1, 1, 1)) is None
    assert words.word(tag(2, 1) + little(2, 2, 2)) is None  # its gyro never came
    assert words.half == 1
    got = words.word(tag(1, 1) + little(3, 3, 3))
    assert got is not None
    assert (got.accel.x, got.gyro.x) == (2.0, 3.0)
    assert words.word(tag(5, 1) + little(0, 0, 0)) is None
    assert words.unknown == 1


def test_lsm6dso_takes_any_words_and_finds_its_way_back() -> None:
    """10^6 bytes: random ones between good pairs. A word bears no checksum, so that random words
    pair by chance; what the theory promises is that a good pair that follows two words which
    cannot be part of it (tags not asked for) always comes whole."""
    rng = random.Random(5)
    words = Pairing(1.0, 1.0)
    gap = bytes([1 << 3 | 1 << 1]) + bytes(6)  # a gyro's word of slot 1 closes what was open
    found = 0
    tries = 10**6 // (7 * 23)
    for _ in range(tries):
        noise = rng.randbytes(20 * 7)
        for i in range(0, len(noise), 7):
            words.word(noise[i : i + 7])
        words.word(gap)
        words.word(bytes([1 << 3 | 2 << 1]) + little(11, 12, 13))
        got = words.word(bytes([2 << 3 | 2 << 1]) + little(21, 22, 23))
        found += got is not None and got.gyro == (11, 12, 13) and got.accel == (21, 22, 23)
    assert found == tries
    assert words.half > 0
    assert words.unknown > 0


def test_bno055_units() -> None:
    """1 m/s2 = 100 LSB and 1 deg/s = 16 LSB (BST-BNO055-DS000-14, units of 3-17 and 3-22)."""
    got = Bno055().decode(little(981, -100, 0, 16, -1600, 0))
    assert got.accel == pytest.approx((9.81, -1.0, 0.0))
    assert got.gyro == pytest.approx((DEG, -100 * DEG, 0.0))


def test_axes_by_hand() -> None:
    """The chip lies with its y axis forward and its x axis to the right: left is -x, up is z."""
    v = Axes("+y", "-x", "+z").turn(Vector(1.0, 2.0, 3.0))
    assert v == (2.0, -1.0, 3.0)
    assert Axes().turn(v) == v
    # upside down, nose forward
    assert Axes("x", "-y", "-z").turn(Vector(1.0, 2.0, 3.0)) == (1.0, -2.0, -3.0)


def test_axes_are_the_24_rotations_and_no_mirror_image() -> None:
    names = [s + n for s in "+-" for n in "xyz"]
    good = 0
    for three in itertools.product(names, repeat=3):
        try:
            axes = Axes(*three)
        except DeviceError:
            continue
        good += 1
        f, l, u = (axes.turn(Vector(*(float(i == k) for i in range(3)))) for k in range(3))  # noqa: E741
        columns = [(f[i], l[i], u[i]) for i in range(3)]
        a, b, c = columns
        cross = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
        assert cross == c
    assert good == 24


@pytest.mark.parametrize(
    ("three", "words"),
    [
        (("x", "y", "-z"), "mirror image"),
        (("x", "x", "z"), "twice"),
        (("q", "y", "z"), '"q" is no chip axis'),
    ],
)
def test_impossible_axes_are_refused(three: tuple[str, str, str], words: str) -> None:
    with pytest.raises(DeviceError, match=words):
        Axes(*three)
