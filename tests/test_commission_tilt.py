"""Tilt zero, mounting yaw, slope check: samples by hand, no simulated rig."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from drivers.samples import InertialSample, MotionSample, Validity
from firmware_py.commission.estimate import CommissionError, Estimate, Floats
from firmware_py.commission.procedure import Procedure
from firmware_py.commission.static import static
from firmware_py.commission.tilt import (
    CONTACT_U,
    GROUND_U,
    SLOPE_U,
    Still,
    level_check,
    mount_yaw,
    pitch_zero,
    roll_zero,
    slope_check,
    still,
    turned,
    zero_steps,
)

G = 9.80665
DEG = math.radians(1.0)
OK = Validity.OK


def _force(roll: float, pitch: float, yaw: float = 0.0) -> Floats:
    """Specific force of a sensor at rest at this attitude, turned left by yaw (scipy)."""
    pose = Rotation.from_euler("ZYX", [0.0, pitch, roll]) * Rotation.from_euler("z", yaw)
    out: Floats = pose.inv().apply([0.0, 0.0, G])
    return out


def _still(force: Floats) -> Still:
    return Still(force, np.full(3, 1e-3), 1e-4, 25.0)


def test_half_the_sum_is_the_zero_and_half_the_difference_the_ground() -> None:
    """Zero +0.8 and -0.5 deg; 2 deg across under the blocks, 1.5 deg along under the tracks."""
    first, second = (_still(_force(0.8 * DEG + s * 2.0 * DEG, 0.0)) for s in (1.0, -1.0))
    zero, ground = roll_zero(first, second, 1.8)
    assert zero.value == pytest.approx(0.8 * DEG, abs=1e-9)
    assert ground == pytest.approx(2.0 * DEG, abs=1e-9)
    first, second = (_still(_force(0.0, -0.5 * DEG + s * 1.5 * DEG)) for s in (1.0, -1.0))
    zero, ground = pitch_zero(first, second)
    assert zero.value == pytest.approx(-0.5 * DEG, abs=1e-9)
    assert ground == pytest.approx(1.5 * DEG, abs=1e-9)


def test_a_known_mounting_yaw_is_taken_out_before_the_zero() -> None:
    pair = [_still(_force(s * 2.0 * DEG, 3.0 * DEG, 4.0 * DEG)) for s in (1.0, -1.0)]
    assert roll_zero(pair[0], pair[1], 1.8, 4.0 * DEG)[0].value == pytest.approx(0.0, abs=1e-6)
    assert abs(roll_zero(pair[0], pair[1], 1.8)[0].value) > 0.15 * DEG


def test_uncertainty_by_hand() -> None:
    """u of 1e-3 m/s2 a stand: sqrt(2)/2 of it over g; 0.3 mm at two contacts of two stands."""
    level = _still(_force(0.0, 0.0))
    zero, _ = roll_zero(level, level, 1.5)
    assert zero.type_a == pytest.approx(1e-3 * math.sqrt(2.0) / 2.0 / G)
    assert zero.u == pytest.approx(math.hypot(zero.type_a, CONTACT_U / 1.5))
    steep, other = _still(_force(4.0 * DEG, 0.0)), _still(_force(-4.0 * DEG, 0.0))
    along, _ = pitch_zero(steep, other, heading_u=1.0 * DEG)
    assert along.u == pytest.approx(math.hypot(zero.type_a, 0.5 * DEG * 4.0 * DEG, GROUND_U))


def _samples(n: int, force: Floats, rate: tuple[float, float, float], t: float = 0.0,
             seed: int = 0) -> list[InertialSample]:  # fmt: skip
    noise = 0.1 * np.random.default_rng(seed).standard_normal((n, 3))
    rows = (force + noise).tolist()
    return [
        InertialSample("inertial", t + 0.005 * k, OK, *row, *rate, 20.0)
        for k, row in enumerate(rows)
    ]


def test_a_stand_gives_its_mean_and_uncertainty() -> None:
    found = still(_samples(4000, _force(1.0 * DEG, 0.0), (0.01, 0.0, 0.0)))
    assert found.force == pytest.approx(_force(1.0 * DEG, 0.0), abs=4.0 * 0.1 / math.sqrt(4000))
    assert found.u == pytest.approx(np.full(3, 0.1 / math.sqrt(4000)), rel=0.5)
    assert found.temperature_c == pytest.approx(20.0)


def test_a_stand_that_moves_or_is_short_is_refused() -> None:
    quiet = _samples(2000, _force(0.0, 0.0), (0.0, 0.0, 0.0))
    swayed = _samples(2000, _force(0.0, 0.0), (0.1, 0.0, 0.0), 10.0)
    with pytest.raises(CommissionError, match="stand still"):
        still(quiet + swayed)
    with pytest.raises(CommissionError, match="at least 4"):
        still(quiet[:900])
    with pytest.raises(CommissionError, match="No inertial samples"):
        still([])


def test_the_yaw_from_moves_by_hand() -> None:
    """A sensor turned left by 2 deg sees roll r as (r cos, -r sin)."""
    yaw = 2.0 * DEG
    noise = np.random.default_rng(3).normal(0.0, 1e-4, 8)
    moves = [
        (r * math.cos(yaw), -r * math.sin(yaw) + e)
        for r, e in zip([0.033, -0.033] * 4, noise.tolist(), strict=True)
    ]
    found = mount_yaw(moves)
    assert found.covers(yaw)
    assert found.value == pytest.approx(yaw, abs=4.0 * 1e-4 / 0.033 / math.sqrt(8.0))
    with pytest.raises(CommissionError, match="60 mm"):
        mount_yaw([(0.004, 0.0)] * 8)


def test_angles_of_a_move_without_the_bias_of_its_rests() -> None:
    bias, rate = 0.02, 0.03
    before = _samples(100, _force(0.0, 0.0), (bias, -bias, 0.0))
    move = _samples(200, _force(0.0, 0.0), (bias + rate, -bias, 0.0), 0.5)
    after = _samples(100, _force(0.0, 0.0), (bias, -bias, 0.0), 1.5)
    x, y = turned(before, move, after)
    assert x == pytest.approx(rate * 200 * 0.005, rel=1e-9)
    assert y == pytest.approx(0.0, abs=1e-9)


def test_slope_check_out_and_back() -> None:
    slopes = np.array([0.01, 0.02, -0.005, 0.0, 0.015, 0.03])
    off = 0.6 * SLOPE_U
    found = slope_check((slopes + off).tolist(), (off - slopes).tolist())
    assert found.passed
    assert found.off.value == pytest.approx(off)
    found = slope_check((slopes + 3 * off).tolist(), (3 * off - slopes).tolist())
    assert not found.passed
    assert "tilt zero again" in found.words
    with pytest.raises(CommissionError, match="6 marks out and 5 back"):
        slope_check(slopes.tolist(), slopes.tolist()[:5])


def test_slope_check_by_a_level() -> None:
    found = level_check(Estimate(0.02, "rad", 1e-4), 0.0195, 2e-4)
    assert found.passed
    assert found.off.value == pytest.approx(0.0005)
    assert found.off.u == pytest.approx(math.hypot(1e-4, 2e-4))


def test_a_long_stand_tells_spread_and_density() -> None:
    """White of 0.1 m/s2 at 200 Hz is 0.1 / sqrt(200) per sqrt(Hz); one-second means spread so."""
    stuck = _samples(40_000, _force(0.0, 0.0), (0.0, 0.0, 0.0))
    with pytest.raises(CommissionError, match="never changes"):
        static(stuck)
    shake = np.random.default_rng(9).normal(0.0, 0.002, (40_000, 3)).tolist()
    samples = [
        msgspec.structs.replace(s, gx=x, gy=y, gz=z)
        for s, (x, y, z) in zip(stuck, shake, strict=True)
    ]
    found = static(samples)
    assert found.rate_hz == pytest.approx(200.0)
    density = 0.1 / math.sqrt(200.0)
    assert found.noise["ay"].white == pytest.approx(density, rel=0.05)
    assert found.roll_spread == pytest.approx(density / G, rel=0.2)
    with pytest.raises(CommissionError, match="out of step"):
        static(samples[::2] + samples[30_001::7])
    with pytest.raises(CommissionError, match="at least 1000"):
        static(samples[:999])


def test_driving_during_a_stand_ends_the_procedure() -> None:
    procedure = Procedure(zero_steps(1.8))
    procedure.step(1.0, (), "ready")
    assert not procedure.step(1.01, [MotionSample("motion", 1.0, OK, 0.2, 0.0)]).done  # noise
    after = procedure.step(1.02, [MotionSample("motion", 1.01, OK, 0.2, 0.0)])
    assert after.done
    assert after.valves == (0.0, 0.0)
    assert "0.07 m/s" in str(procedure.error)  # 0.2 (1 - 0.8^2)
