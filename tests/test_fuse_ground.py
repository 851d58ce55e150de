"""The ground's prediction: its covariance by Monte Carlo, its weights by a solver of scipy's.

Ground of ISO 8608 has a white slope along a line: Gd(n) = Gd(n0) (n/n0)^-2, n0 = 0.1 cycle/m.
Here the slopes are drawn at random and a track is a line fitted to the heights by numpy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz, toeplitz

from firmware_py.fuse import ground
from firmware_py.fuse.ground import (
    EDGES,
    SLOPE_PSD,
    Geometry,
    GroundRate,
    covariance,
    design,
    kernel,
    vibration,
)

TRACK, V, TICK = 1.4, 0.5, 0.01  # m, m/s, s
STEP = 0.005  # m; V * TICK
Array = NDArray[np.float64]


def _heights(n: int, seed: int) -> Array:
    """Ground of unit slope density, smoothed over a track's width as the model does."""
    slopes = np.random.default_rng(seed).standard_normal(n) / math.sqrt(STEP)
    window = np.hanning(max(3, round(2 * ground.SMOOTH_M / STEP)))
    return np.cumsum(np.convolve(slopes, window / window.sum(), "same")) * STEP


def _lines(heights: Array) -> tuple[Array, Array]:
    """Mean height and slope of the least-squares line under a track, at each step of the way."""
    m = round(TRACK / STEP)
    x = (np.arange(m) - (m - 1) / 2) * STEP
    mean = np.convolve(heights, np.ones(m) / m, "valid")
    slope = np.convolve(heights, (x / (x @ x))[::-1], "valid")
    return mean, slope


def _rates(seed: int, n: int = 400_000) -> tuple[Array, Array]:
    """Rates of mean height (m/s) and of slope (rad/s) of a track that drives along."""
    mean, slope = _lines(_heights(n, seed))
    return np.diff(mean) / TICK, np.diff(slope) / TICK


def _sample(a: Array, b: Array, lags: list[int]) -> list[float]:
    return [float(np.mean(a[k:] * b[: b.size - k])) for k in lags]


LAGS = [0, 5, 20, 60, 140, 270, 320]  # ticks; the track is 280 long


HEIGHT, SLOPE, BLADE = (1.0, 0.0), (0.0, 1.0), (1.0, 1.2)  # shares of mean height and of slope


@pytest.mark.parametrize(
    ("later", "earlier"), [(HEIGHT, HEIGHT), (SLOPE, SLOPE), (HEIGHT, SLOPE), (BLADE, SLOPE)]
)
def test_covariance_of_the_rates_is_that_of_random_ground(
    later: tuple[float, float], earlier: tuple[float, float]
) -> None:
    """Ten million metres-steps of white slope; the scatter of each estimate is near 1 %."""
    theory = covariance(kernel(TRACK, *later), kernel(TRACK, *earlier), V, np.array(LAGS) * TICK)
    sums = np.zeros(len(LAGS))
    spread = 0.0
    for seed in range(6):
        mean, slope = _rates(seed)
        a = later[0] * mean + later[1] * slope
        b = earlier[0] * mean + earlier[1] * slope
        sums += _sample(a, b, LAGS)
        spread += float(np.std(a) * np.std(b))
    assert sums / 6 == pytest.approx(theory, abs=0.03 * spread / 6)


def test_variance_of_the_slope_rate_by_algebra() -> None:
    """White slope of density S under 12 s / L^3: V^2 S 144 / L^6 x L^3 / 12 = 12 V^2 S / L^3."""
    own = kernel(TRACK, 0.0, 1.0)
    value = covariance(own, own, V, np.zeros(1))[0]
    assert value == pytest.approx(12 * V**2 / TRACK**3, rel=0.12)  # the width averages
    assert value < 12 * V**2 / TRACK**3


def test_slope_density_of_class_d() -> None:
    """Gd(n0) 1024e-6 m3 at 0.1 cycle/m: heights' one-sided density times (2 pi n)^2, halved."""
    assert pytest.approx(1024e-6 * (2 * math.pi * 0.1) ** 2 / 2) == SLOPE_PSD


def test_vibration_is_of_unit_variance_and_near_27_hz_changes_sign_in_half_a_period() -> None:
    lags = vibration(np.array([0.0, 1 / 54]))
    assert lags[0] == pytest.approx(1.0)
    assert lags[1] < -0.2


GEOMETRY = Geometry(TRACK, (0.0, 1.0), (0.0, 1.0), 0.5 * SLOPE_PSD, TICK, 2e-5, 3.5e-5)


def _moments(ahead: int) -> tuple[Array, Array, float]:
    """Autocovariance of what the gyro sees, its covariance with the rate wanted, and that one's."""
    slope = kernel(TRACK, 0.0, 1.0)
    past = EDGES[-1]
    own = covariance(slope, slope, V, np.arange(past + ahead + 1) * TICK) * GEOMETRY.density
    seen = own[:past] + GEOMETRY.engine * vibration(np.arange(past) * TICK)
    seen[0] += GEOMETRY.white
    return seen, own[ahead : ahead + past], float(own[0])


def _spread(weights: Array) -> Array:
    """A weight for each tick from those of the blocks, which are for angles turned."""
    return np.repeat(weights * TICK, np.diff(EDGES))


@pytest.mark.parametrize("ahead", [12, 14, 16, 18, 20])  # what Blade prepares
def test_weights_are_within_2_percent_of_the_best_there_are(ahead: int) -> None:
    """Every tick its own weight: Toeplitz normal equations, solved by scipy (Levinson)."""
    seen, cross, variance = _moments(ahead)
    best = solve_toeplitz(seen, cross)
    ours = _spread(np.array(design(GEOMETRY, V, ahead * TICK)[0]))
    least = variance - float(best @ cross)
    got = variance - 2 * float(ours @ cross) + float(ours @ toeplitz(seen) @ ours)
    assert least * (1 - 1e-9) <= got <= 1.02 * least


def test_the_error_left_is_orthogonal_to_every_block_used() -> None:
    """The Wiener-Hopf condition itself (Papoulis, Probability, ch. 13, from memory)."""
    seen, cross, variance = _moments(14)
    ours = _spread(np.array(design(GEOMETRY, V, 0.14)[0]))
    left = cross - toeplitz(seen) @ ours
    blocks = np.add.reduceat(left, EDGES[:-1]) / np.diff(EDGES)
    assert blocks == pytest.approx(np.zeros(blocks.size), abs=1e-9 * variance)


def _run(predictor: GroundRate, rates: Array, ahead: int) -> tuple[Array, Array]:
    """Predictions of the rate `ahead` ticks later and of its mean until then, with a real gyro."""
    gen = np.random.default_rng(11)
    then, mean = np.zeros(rates.size), np.zeros(rates.size)
    for k, rate in enumerate(rates):
        predictor.push(float(rate) + 4e-3 * float(gen.standard_normal()))
        then[k], mean[k] = predictor.ahead(ahead * TICK, V)
    return then, mean


def test_prediction_beats_persistence_on_class_d() -> None:
    """135 ms ahead: against the last rates smoothed, and against no foresight at all."""
    rates = _rates(21, 8000)[1] * math.sqrt(0.5 * SLOPE_PSD)
    predictor, ahead = GroundRate(GEOMETRY), 14
    predictor.prepare([ahead * TICK])
    then, mean = _run(predictor, rates, ahead)
    start, end = EDGES[-1], rates.size - ahead
    later = rates[start + ahead : end + ahead]
    until = np.array([rates[k + 1 : k + ahead + 1].mean() for k in range(start, end)])
    smooth = np.convolve(rates, np.ones(16) / 16)[start:end]
    for predicted, truth in ((then[start:end], later), (mean[start:end], until)):
        left = np.std(truth - predicted)
        assert left < 0.8 * np.std(truth)
        assert left < 0.95 * np.std(truth - smooth)


def test_nothing_seen_nothing_foreseen_and_an_unprepared_horizon_is_refused() -> None:
    predictor = GroundRate(GEOMETRY)
    predictor.prepare([0.14])
    assert predictor.ahead(0.14, V) == (0.0, 0.0)
    with pytest.raises(KeyError):
        predictor.ahead(0.3, V)


def test_lately_is_the_mean_of_the_last_ticks() -> None:
    predictor = GroundRate(GEOMETRY)
    for rate in [9.0] * 20 + [0.2] * ground.LATELY:
        predictor.push(rate)
    assert predictor.lately() == pytest.approx(0.2)
    predictor.reset()
    assert predictor.lately() == 0.0
