"""Tilt: signs by hand and published values. See test_tilt_machine and test_tilt_recordings too.

Axes x forward, y left, z up; roll > 0 left end up; pitch > 0 nose down. No simulated rig here.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from firmware_py import snapshot
from firmware_py.sense.tilt import Tilt, TiltSettings, tilt_from_gravity

Array = NDArray[np.float64]
G = 9.80665
RATE_HZ = 200.0
DT = 1.0 / RATE_HZ


def gravity(roll: float, pitch: float) -> tuple[float, float, float]:
    """Specific force at rest: the third row of the Z-Y-X rotation matrix, times g."""
    c = math.cos(pitch)
    return (-G * math.sin(pitch), G * math.sin(roll) * c, G * math.cos(roll) * c)


def settled(roll: float = 0.0, pitch: float = 0.0, seconds: float = 1.0) -> Tilt:
    tilt = Tilt()
    for _ in range(round(seconds / DT)):
        tilt.update(DT, *gravity(roll, pitch), 0.0, 0.0, 0.0)
    return tilt


# Formulas and signs, each by hand


def test_an3461_two_percent_crossfall() -> None:
    # NXP AN3461 (Pedley): ay / g = sin(atan(0.02)) = 0.0199960 at 2 percent; 327.6 LSB at 16384/g.
    roll, pitch = tilt_from_gravity(0.0, 0.0199960, math.sqrt(1.0 - 0.0199960**2))
    assert math.tan(roll) == pytest.approx(0.02, abs=1e-7)
    assert pitch == 0.0
    assert 16384 * math.sin(roll) == pytest.approx(327.6, abs=0.05)
    # 1 LSB is 0.0035 degrees at level.
    assert math.degrees(tilt_from_gravity(0.0, 1.0, 16384.0)[0]) == pytest.approx(0.0035, abs=5e-5)


@pytest.mark.parametrize(
    ("force", "roll_deg", "pitch_deg"),
    [
        ((0.0, 0.0, G), 0.0, 0.0),  # level
        ((0.0, G / 2, G * math.sqrt(0.75)), 30.0, 0.0),  # y points up by half: left end up
        ((0.0, -G / 2, G * math.sqrt(0.75)), -30.0, 0.0),  # right end up
        ((-G / 2, 0.0, G * math.sqrt(0.75)), 0.0, 30.0),  # x points down: nose down
        ((G / 2, 0.0, G * math.sqrt(0.75)), 0.0, -30.0),  # nose up
    ],
)
def test_signs_at_rest(
    force: tuple[float, float, float], roll_deg: float, pitch_deg: float
) -> None:
    tilt = Tilt()
    tilt.update(DT, *force, 0.0, 0.0, 0.0)
    for roll, pitch in (tilt_from_gravity(*force), (tilt.roll, tilt.pitch)):
        assert math.degrees(roll) == pytest.approx(roll_deg, abs=1e-9)
        assert math.degrees(pitch) == pytest.approx(pitch_deg, abs=1e-9)


@pytest.mark.parametrize(
    ("start", "rates", "roll", "pitch"),
    [
        ((0.0, 0.0), (0.1, 0.0, 0.0), 0.1, 0.0),  # about x: the left end rises
        ((0.0, 0.0), (0.0, 0.1, 0.0), 0.0, 0.1),  # about y: the nose goes down
        # On a slope with its left end up, a quarter turn to the left: now the nose points up it.
        ((0.1, 0.0), (0.0, 0.0, math.pi / 2), 0.0, -0.1),
    ],
)
def test_signs_of_the_gyro(
    start: tuple[float, float], rates: tuple[float, float, float], roll: float, pitch: float
) -> None:
    # After 1 s on the gyro alone, for gravity is not trusted.
    tilt = settled(*start)
    for _ in range(round(RATE_HZ)):
        tilt.update(DT, 0.0, 0.0, G, *rates, trust=0.0)
    assert (tilt.roll, tilt.pitch) == pytest.approx((roll, pitch), abs=1e-9)


def test_a_known_turn_is_taken_out_and_an_unknown_one_not_trusted() -> None:
    # Turning left at v = 1.5 m/s and w = 0.4 rad/s: a_y = v w = 0.6 m/s2 to the left.
    known, unknown, naive = settled(0.02), settled(0.02), settled(0.02)
    ax, ay, az = gravity(0.02, 0.0)
    for _ in range(round(5 * RATE_HZ)):
        # The blade keeps its roll while it turns about the vertical.
        rates = (0.0, 0.4 * math.sin(0.02), 0.4 * math.cos(0.02))
        known.update(DT, ax, ay + 0.6, az, *rates, ext_ay=0.6)
        unknown.update(DT, ax, ay + 0.6, az, *rates, trust=0.0)
        naive.update(DT, ax, ay + 0.6, az, *rates)
    assert known.roll == pytest.approx(0.02, abs=1e-9)
    assert unknown.roll == pytest.approx(0.02, abs=1e-9)
    assert naive.roll > 0.03  # so that the two above assert something
    forward = settled()
    for _ in range(round(RATE_HZ)):
        forward.update(DT, 1.0, 0.0, G, 0.0, 0.0, 0.0, ext_ax=1.0)
    assert forward.pitch == pytest.approx(0.0, abs=1e-9)


# Refusals and state


@pytest.mark.parametrize("dt", [0.0, -0.005, 0.1001, math.nan, math.inf])
def test_absurd_steps_are_refused(dt: float) -> None:
    tilt = settled(0.02)
    before = snapshot.take(tilt)
    with pytest.raises(ValueError, match=r"Tilt step .* above 0 and at most 0\.1"):
        tilt.update(dt, 0.0, 0.0, G, 0.0, 0.0, 0.0)
    assert snapshot.take(tilt) == before


def test_longest_step_is_taken() -> None:
    tilt = settled(0.02)
    tilt.update(0.1, *gravity(0.02, 0.0), 0.0, 0.0, 0.0)
    assert tilt.roll == pytest.approx(0.02, abs=1e-9)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e200])
@pytest.mark.parametrize("place", range(8))
def test_broken_numbers_are_refused_and_change_nothing(bad: float, place: int) -> None:
    tilt = settled(0.02)
    before = snapshot.take(tilt)
    sample = [0.0, 0.0, G, 0.0, 0.0, 0.0, 0.0, 0.0]
    sample[place] = bad
    with pytest.raises(ValueError, match="Inertial sample refused"):
        tilt.update(DT, *sample[:6], ext_ax=sample[6], ext_ay=sample[7])
    assert snapshot.take(tilt) == before


@pytest.mark.parametrize("trust", [-0.01, 1.01, math.nan])
def test_trust_outside_its_range_is_refused(trust: float) -> None:
    with pytest.raises(ValueError, match="Trust in gravity"):
        Tilt().update(DT, 0.0, 0.0, G, 0.0, 0.0, 0.0, trust=trust)


def test_no_start_without_gravity() -> None:
    tilt = Tilt()
    with pytest.raises(ValueError, match="not gravity"):
        tilt.update(DT, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="zero or not finite"):
        tilt_from_gravity(0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="zero or not finite"):
        tilt_from_gravity(0.0, math.nan, 1.0)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_settings_are_above_zero(value: float) -> None:
    with pytest.raises(ValueError, match="time_constant_s"):
        TiltSettings(time_constant_s=value)


def shaken(seed: int, count: int) -> Array:
    rng = np.random.default_rng(seed)
    force = np.array([0.0, 0.0, G]) + rng.standard_normal((count, 3))
    return np.hstack([force, 0.2 * rng.standard_normal((count, 3))])


def test_a_snapshot_continues_bit_for_bit() -> None:
    samples = shaken(1, 1000).tolist()
    whole, other = Tilt(), Tilt()
    for sample in samples[:487]:  # in the middle of a block
        whole.update(DT, *sample, still=True)
    mutable = set(vars(whole)) - {"settings"}
    assert mutable == set(Tilt.STATE)
    snapshot.put(other, snapshot.take(whole))
    for sample in samples[487:]:
        whole.update(DT, *sample, trust=0.7, ext_ay=0.1)
        other.update(DT, *sample, trust=0.7, ext_ay=0.1)
    assert snapshot.take(other) == snapshot.take(whole)
    whole.reset()
    assert snapshot.take(whole) == snapshot.take(Tilt())


def test_left_and_right_are_mirror_images() -> None:
    # Mirroring in the x-z plane turns y forces, x rates and z rates over, and roll with them.
    one, other = Tilt(), Tilt()
    for ax, ay, az, gx, gy, gz in shaken(2, 2000).tolist():
        one.update(DT, ax, ay, az, gx, gy, gz)
        other.update(DT, ax, -ay, az, -gx, gy, -gz)
    assert abs(one.roll) > 1e-4
    assert (other.roll, other.pitch) == pytest.approx((-one.roll, one.pitch), abs=1e-12)
    assert other.yaw_rate == pytest.approx(-one.yaw_rate, abs=1e-12)


# Bias, start, trust


def test_bias_is_learnt_at_rest_on_all_axes_else_square_to_gravity_only() -> None:
    true = np.radians([0.3, -0.2, 0.4])
    rng = np.random.default_rng(3)
    noise = math.radians(0.004) * math.sqrt(RATE_HZ / 2)  # 0.004 deg/s per root Hz, one-sided
    still, moving = Tilt(), Tilt()
    gyro = true + noise * rng.standard_normal((round(30 * RATE_HZ), 3))
    for i, rates in enumerate(gyro.tolist()):
        if i < 3 * RATE_HZ:
            still.update(DT, *gravity(0.02, 0.01), *rates, still=True)
        moving.update(DT, *gravity(0.02, 0.01), *rates)
    # 3 s of that noise: sd 0.0016 deg/s an axis.
    assert np.degrees(still.bias) == pytest.approx(np.degrees(true), abs=0.006)
    assert np.degrees(moving.bias)[:2] == pytest.approx(np.degrees(true)[:2], abs=0.02)
    assert abs(math.degrees(moving.bias[2])) < 0.05  # its 0.4 deg/s cannot be seen
    assert moving.roll == pytest.approx(0.02, abs=2e-4)
    still.update(DT, *gravity(0.02, 0.01), 0.1, 0.2, 0.3)
    rates = (still.roll_rate, still.pitch_rate, still.yaw_rate)
    assert rates == pytest.approx(np.array([0.1, 0.2, 0.3]) - still.bias, abs=1e-12)


def test_starts_within_a_second_under_vibration() -> None:
    tilt = Tilt()
    for i in range(round(RATE_HZ)):
        ax, ay, az = gravity(0.05, 0.03)
        hum = 1.4 * math.sin(2.0 * math.pi * 31.0 * i * DT)  # 1 m/s2 rms
        tilt.update(DT, ax + hum, ay + hum, az - hum, 0.0, 0.0, 0.0)
    assert (tilt.roll, tilt.pitch) == pytest.approx((0.05, 0.03), abs=2e-3)


def test_shocks_lower_the_trust_in_gravity() -> None:
    calm, rough = settled(seconds=20.0), settled(seconds=20.0)
    for i in range(round(2 * RATE_HZ)):
        ax, ay, az = gravity(0.05, 0.0)  # gravity says 5 % at once, the gyro says nothing
        calm.update(DT, ax, ay, az, 0.0, 0.0, 0.0)
        rough.update(DT, ax, ay, az + (60.0 if i % 2 else -60.0), 0.0, 0.0, 0.0)
    assert calm.roll > 0.005
    assert 0.0 < rough.roll < 0.5 * calm.roll


def test_spread_grows_while_gravity_is_not_trusted_and_comes_back() -> None:
    tilt = settled(seconds=30.0)
    spread = [tilt.roll_sd]
    for trust in (0.0, 1.0):
        for _ in range(round(30 * RATE_HZ)):
            tilt.update(DT, 0.0, 0.0, G, 0.0, 0.0, 0.0, trust=trust)
        spread.append(tilt.roll_sd)
    assert spread[1] > 2.0 * spread[0]
    assert spread[2] < 1.2 * spread[0]
    assert settled(seconds=0.05).roll_sd > spread[0]
