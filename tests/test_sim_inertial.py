"""The simulated inertial sensor and the air: what is in their errors, by counting."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers.samples import AirSample, InertialSample
from drivers.simulated.air import Air
from drivers.simulated.inertial import Errors
from drivers.simulated.reference import REFERENCE, G, InertialTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World

QUIET = replace(
    REFERENCE.inertial, accel_bias=0.0, gyro_bias=0.0, accel_walk=0.0, gyro_walk=0.0,
    accel_per_k=0.0, gyro_per_k=0.0, engine_rms=0.0, engine_gyro_rms=0.0, broad_accel=0.0,
    broad_gyro=0.0,
)  # fmt: skip


def _rows(truth: InertialTruth, seconds: float, seed: int = 0) -> np.ndarray:
    rows = Errors(truth, np.random.default_rng(seed)).rows()
    return np.array([next(rows) for _ in range(round(seconds * truth.rate_hz))])


def test_white_noise_has_the_datasheets_density() -> None:
    """70 ug/sqrt(Hz) and 3.8 mdps/sqrt(Hz) over the 100 Hz of a 200 Hz sensor."""
    rows = _rows(QUIET, 60.0)
    assert rows[:, 2].std() == pytest.approx(70e-6 * G * 10.0, rel=0.03)
    assert rows[:, 5].std() == pytest.approx(math.radians(3.8e-3) * 10.0, rel=0.03)


def test_engine_shakes_with_0_7_rms_on_two_lines() -> None:
    rows = _rows(replace(QUIET, engine_rms=0.7), 60.0)
    assert math.sqrt(np.sum(rows[:, :3].var(axis=0))) == pytest.approx(0.7, rel=0.03)
    power = np.abs(np.fft.rfft(rows[:, 2])) ** 2
    n = np.fft.rfftfreq(len(rows), 1.0 / 200.0)
    near = (np.abs(n - 27.0) < 4.0) | (np.abs(n - 54.0) < 4.0)
    assert power[near].sum() / power[1:].sum() > 0.9


def test_warm_up_is_20_k_times_the_coefficient() -> None:
    """0.1 mg/K over 20 K is 2 mg when warm; 1 - 1/e of it after 300 s."""
    rows = _rows(replace(QUIET, accel_per_k=0.1e-3 * G), 301.0)
    late = abs(rows[-400:, 0].mean())
    assert late == pytest.approx(2e-3 * G * (1.0 - math.exp(-1.0)), rel=0.02)
    assert rows[-1, 6] - rows[0, 6] == pytest.approx(20.0 * (1.0 - math.exp(-1.0)), abs=0.4)


def test_bias_and_its_walk() -> None:
    starts = np.array([_rows(replace(QUIET, gyro_bias=0.005), 2.0, k)[:, 3].mean()
                       for k in range(60)])  # fmt: skip
    assert starts.std() == pytest.approx(0.005, rel=0.3)
    ends = np.array([np.diff(_rows(replace(QUIET, gyro_walk=0.01), 4.0, k)[[0, -1], 3])[0]
                     for k in range(60)])  # fmt: skip
    assert ends.std() == pytest.approx(0.02, rel=0.3)


def test_a_steady_bend_is_felt_as_v_squared_over_r_and_the_lever_pulls_back() -> None:
    """0.8 m/s at 15 m radius: a_y = v w = 42.7 mm/s2; a_x = -w^2 l_x = -3.4 mm/s2."""
    still = replace(QUIET, accel_density=0.0, gyro_density=0.0, yaw_rad=0.0)
    tracks = replace(REFERENCE.tracks, slip_rad=0.0)
    human = replace(REFERENCE.human, speed_noise=0.0)
    world = World(
        segments=((80.0, 15.0),), crossfall=0.0, ground="flat", left=Reference(spill=False)
    )
    rig = SimulatedRig(world, replace(REFERENCE, inertial=still, tracks=tracks, human=human))
    rig.read(0.0)
    rig.person.drive(0.8)
    samples = [s for k in range(1, 2000) for s in rig.read(0.01 * k)]
    late = [s for s in samples if isinstance(s, InertialSample) and s.time_s > 10.0]
    w = 0.8 / 15.0
    assert np.mean([s.gz for s in late]) == pytest.approx(w, rel=0.01)
    assert np.mean([s.ay for s in late]) == pytest.approx(0.8 * w, rel=0.03)
    assert np.mean([s.ax for s in late]) == pytest.approx(-w * w * 1.2, rel=0.1)
    assert np.mean([s.az for s in late]) == pytest.approx(G, abs=1e-3)


def test_air_drifts_by_two_kelvin_over_a_run() -> None:
    air = Air(REFERENCE.air, np.random.default_rng(0), 100.0)
    assert abs(air.true_c(100.0) - air.true_c(0.0)) == pytest.approx(2.0)
    assert abs(air.true_c(50.0) - air.true_c(0.0)) == pytest.approx(1.0)


def test_thermometer_lags_and_is_noisy() -> None:
    truth = replace(REFERENCE, air=replace(REFERENCE.air, drift_k=20.0))
    rig = SimulatedRig(World(), truth, seed=1)
    air = rig.devices["air"]
    readings = [s.temperature_c for s in rig.read(0.0) if isinstance(s, AirSample)]
    for k in range(1, 320):
        readings += [s.temperature_c for s in rig.read(0.5 * k) if isinstance(s, AirSample)]
    true = np.array([rig._air._air.true_c(0.5 * k) for k in range(len(readings))])
    lag = np.array(readings) - true
    assert air.name == "air"
    assert abs(lag[150:170].mean()) == pytest.approx(20.0 * math.pi / 320.0 * 30.0, rel=0.25)
    assert np.diff(readings).std() == pytest.approx(0.2 * math.sqrt(2.0), rel=0.15)


def test_a_sensor_that_was_on_before_drifts_by_what_is_left() -> None:
    """On for one time constant: 20 K/e are left of the warm-up, and none at the first sample."""
    drift = 0.1e-3 * G
    rows = _rows(replace(QUIET, accel_per_k=drift, accel_density=0.0, on_s=300.0), 300.0)
    size = np.abs(rows[:, 1])
    assert size[0] < 0.001 * drift
    left = 20.0 / math.e
    assert size[-1] == pytest.approx(drift * left * (1.0 - 1.0 / math.e), rel=0.01)
    assert rows[0, 6] == pytest.approx(18.0 + 20.0 - left, abs=0.3)
