"""What the edge left is foreseen under the tracks: against least squares by numpy, and closed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py import snapshot
from firmware_py.fuse.trail import GONE_M, MEMORY_M, Trail

TRACK, AHEAD, STEP = 1.4, 1.2, 0.005


def laid(level: np.ndarray, roll: np.ndarray | None = None) -> Trail:
    """The edge went along these heights, one each STEP."""
    trail = Trail(TRACK, AHEAD)
    rolls = np.zeros(level.size) if roll is None else roll
    for z, r in zip(level.tolist(), rolls.tolist(), strict=True):
        trail.push(STEP, z, r)
    return trail


def line_under(z: np.ndarray, x: np.ndarray, middle: float) -> tuple[float, float]:
    """Mean and slope of numpy's least-squares line through the ground under a track there."""
    under = np.abs(x - middle) <= TRACK / 2
    slope, at = np.polyfit(x[under] - middle, z[under], 1)
    return float(at), float(slope)


@pytest.mark.parametrize("wave_m", [0.8, 1.5, 3.0, 8.0])
def test_mean_and_slope_are_those_of_a_least_squares_line(wave_m: float) -> None:
    x = np.arange(1200) * STEP
    z = 0.3 + 0.01 * np.sin(2.0 * math.pi * x / wave_m)
    trail = laid(z)
    on, d = 0.1, 0.01
    middle = x[-1] - AHEAD + on
    (m0, s0), (m1, s1) = (line_under(z, x, middle + side * d) for side in (-1.0, 1.0))
    mean, slope, roll = trail.rates(on)
    size = 0.01 * 2.0 * math.pi / wave_m
    assert mean == pytest.approx((m1 - m0) / (2.0 * d), abs=0.06 * size)
    assert slope == pytest.approx((s1 - s0) / (2.0 * d), abs=0.06 * size * 2.0 * math.pi / wave_m)
    assert roll == 0.0


def test_a_step_by_hand_as_it_comes_under_the_front() -> None:
    """12 mm up, 0.3 m ago: slope 12 s h / L^3 a metre, s = L/2; signs: up > 0, nose up > 0.

    At the front of the track the step is averaged over 2 x 60 mm of way.
    """
    n = round(4.0 / STEP)
    trail = laid(np.r_[np.zeros(n), np.full(round(0.3 / STEP), 0.012)])
    on = AHEAD - TRACK / 2 - 0.3  # brings the front to the step
    mean, slope, _ = trail.rates(on)
    assert mean == pytest.approx(0.5 * 0.012 / TRACK, rel=0.1)
    assert slope == pytest.approx(0.5 * 0.012 * 6.0 / TRACK**2, rel=0.1)


def test_roll_turns_by_what_enters_less_what_leaves() -> None:
    rolls = np.linspace(0.0, 0.02, 1200)
    _, _, roll = laid(np.zeros(1200), rolls).rates(0.0)
    assert roll == pytest.approx(0.02 / (1199 * STEP), rel=1e-6)


def test_a_constant_height_does_nothing_however_high() -> None:
    assert laid(np.full(1200, 0.7)).rates(0.1) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_nothing_is_known_until_the_tracks_stand_on_it_nor_after_backing() -> None:
    trail = laid(np.zeros(300))  # 1.5 m of the 1.98 that are needed
    assert not trail.covers
    trail = laid(np.zeros(600))
    assert trail.covers
    trail.push(-0.5 * GONE_M, 0.0, 0.0)
    assert trail.covers
    trail.push(-1.5 * GONE_M, 0.0, 0.0)
    assert not trail.covers
    trail = laid(np.zeros(600))
    trail.push(STEP, None, 0.0)
    assert not trail.covers


def learnt(came: float, noise: float, metres: float = 12.0, seed: int = 3) -> Trail:
    """So much came of what was foreseen, and something else beside it."""
    gen = np.random.default_rng(seed)
    trail = Trail(TRACK, AHEAD)
    for foreseen, other in gen.standard_normal((round(metres / 0.1), 2)).tolist():
        trail.learn(foreseen, came * foreseen + noise * other, 0.1)
    return trail


@pytest.mark.parametrize(
    ("came", "noise", "metres", "trusted"),
    [
        (1.0, 0.3, 12.0, True), (0.9, 0.0, 12.0, True), (1.0, 0.3, 2.8, False),
        (0.0, 1.0, 12.0, False), (1.0, 3.0, 12.0, False), (-1.0, 0.1, 12.0, False),
        (0.4, 0.0, 12.0, False), (2.0, 0.0, 12.0, False),
    ],
)  # fmt: skip
def test_it_is_believed_when_it_comes_so(
    came: float, noise: float, metres: float, *, trusted: bool
) -> None:
    assert learnt(came, noise, metres).trusted is trusted


def test_belief_ends_when_something_else_comes() -> None:
    trail = learnt(1.0, 0.1)
    gen = np.random.default_rng(5)
    for foreseen, other in gen.standard_normal((round(2.0 * MEMORY_M / 0.1), 2)).tolist():
        trail.learn(foreseen, other, 0.1)
    assert not trail.trusted


def test_raw_ground_beside_is_hardly_ever_taken_for_it() -> None:
    """50 machines, 12 m each, what is foreseen having nothing to do with what comes."""
    assert sum(learnt(0.0, 1.0, seed=seed).trusted for seed in range(50)) == 0


def test_a_snapshot_goes_on_the_same() -> None:
    gen = np.random.default_rng(1)
    trail = laid(gen.normal(0.0, 0.01, 900))
    twin = Trail(TRACK, AHEAD)
    snapshot.put(twin, snapshot.take(trail))
    for z in gen.normal(0.0, 0.01, 200).tolist():
        trail.push(STEP, z, 0.0)
        twin.push(STEP, z, 0.0)
    assert twin.rates(0.05) == trail.rates(0.05)
