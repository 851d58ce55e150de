"""The two filters in plain floats against filterpy's matrices (Labbe, Kalman and Bayesian Filters
in Python): the same model, the same numbers in, the same state and covariance out."""

from __future__ import annotations

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from firmware_py.fuse.kalman import HeightLateral
from firmware_py.sense.trend import START_SLOPE_SD, Trend

SD = (0.02, 0.01, 0.05, 0.03)
UPPER = np.triu_indices(4)


def _reference(x: list[float], sd: tuple[float, ...]) -> KalmanFilter:
    kf = KalmanFilter(dim_x=len(x), dim_z=1)
    kf.x = np.array(x).reshape(-1, 1)
    kf.P = np.diag(np.square(sd))
    return kf


def _row(kf: KalmanFilter) -> NDArray[np.float64]:
    return np.asarray(kf.x)[:, 0]


def _same(ours: HeightLateral, kf: KalmanFilter) -> None:
    assert [ours.h, ours.d, ours.y, ours.x] == pytest.approx(_row(kf), rel=1e-9, abs=1e-12)
    assert ours.cov == pytest.approx(kf.P[UPPER], rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_height_and_lateral_by_filterpy(seed: int) -> None:
    """500 steps at random: dt, known rise, way, noises; height, lateral and mixed measurements."""
    rng = np.random.default_rng(seed)
    ours = HeightLateral()
    ours.start(0.6, -0.03, SD)
    kf = _reference([0.6, 0.0, -0.03, 0.0], SD)
    _same(ours, kf)
    for _ in range(500):
        dt, rise, way = rng.uniform(0.001, 0.02), rng.normal(0, 1e-3), rng.uniform(-0.01, 0.02)
        noise = tuple(float(v) for v in rng.uniform(0, [1e-7, 1e-6, 1e-7, 1e-6]))
        ours.predict(dt, rise, way, noise)  # type: ignore[arg-type]
        kf.F = np.array([[1, dt, 0, 0], [0, 1, 0, 0], [0, 0, 1, way], [0, 0, 0, 1]])
        kf.Q, kf.B = np.diag(noise), np.array([[1.0], [0], [0], [0]])
        kf.predict(u=np.array([[rise]]))
        _same(ours, kf)
        a, b, c = rng.choice([[1, 0, 0], [0, 0, 1], [1, 0.02, -0.3], rng.normal(size=3)])
        H = np.array([[a, b, c, 0.0]])
        assert ours.spread(a, b, c) == pytest.approx((H @ kf.P @ H.T).item(), rel=1e-9)
        variance = rng.uniform(1e-6, 1e-4)
        innovation = rng.normal(0, 0.01)
        z = (H @ kf.x).item() + innovation
        ours.update(innovation, a, b, c, variance)
        kf.update(np.array([[z]]), R=np.array([[variance]]), H=H)
        _same(ours, kf)


def test_its_covariance_stays_one() -> None:
    """Positive definite after 20000 updates of one kind, and the unseen direction stays wide."""
    ours = HeightLateral()
    ours.start(0.6, 0.0, SD)
    for _ in range(20000):
        ours.predict(0.01, 0.0, 0.0, (1e-8, 1e-8, 0.0, 0.0))
        ours.update(0.0, 1.0, 0.0, 0.0, 1e-6)
    P = np.zeros((4, 4))
    P[UPPER] = ours.cov
    P = P + np.triu(P, 1).T
    assert np.linalg.eigvalsh(P).min() > 0.0
    assert P[2, 2] == SD[2] ** 2
    assert P[3, 3] == SD[3] ** 2


@pytest.mark.parametrize("seed", [1, 2])
def test_trend_by_filterpy(seed: int) -> None:
    """500 readings of a drifting value at uneven times."""
    rng = np.random.default_rng(seed)
    ours = Trend()
    ours.start(20.0, 0.2)
    kf = _reference([20.0, 0.0], (0.2, START_SLOPE_SD))
    kf.H = np.array([[1.0, 0.0]])
    for k in range(500):
        dt, value = rng.uniform(0.1, 2.0), 20.0 + 0.01 * k + rng.normal(0, 0.2)
        drift, variance = rng.uniform(1e-8, 1e-6), rng.uniform(0.01, 0.1)
        ours.update(dt, value, drift, variance)
        kf.F = np.array([[1.0, dt], [0.0, 1.0]])
        kf.Q = np.diag([0.0, drift * dt])
        kf.predict()
        kf.update(np.array([[value]]), R=np.array([[variance]]))
        assert [ours.rate, ours.slope] == pytest.approx(_row(kf), rel=1e-9)
        P = [kf.P[0, 0], kf.P[0, 1], kf.P[1, 1]]
        assert [ours.rr, ours.rs, ours.ss] == pytest.approx(P, rel=1e-9)


def test_trend_forgets_on_reset() -> None:
    ours, fresh = Trend(), Trend()
    ours.update(1.0, 20.0, 1e-6, 0.04)
    assert ours.rate != 0.0
    ours.reset()
    assert [getattr(ours, n) for n in Trend.STATE] == [getattr(fresh, n) for n in Trend.STATE]
