"""What a trial is scored by, against arrays made by hand and one closed formula."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py.trial import score

ONES = np.ones(4)


def test_the_run_in_standing_and_reversing_count_nothing() -> None:
    travelled = np.array([0.0, 4.0, 6.0, 6.0, 5.5, 6.5, 7.0])
    assert score.forward_travel(travelled, 5.0).tolist() == [0, 0, 2, 0, 0, 1, 0.5]


def test_rms_mean_and_spread_are_by_the_metre() -> None:
    values, weight = np.array([1.0, 3.0, 9.0]), np.array([3.0, 1.0, 0.0])
    assert score.mean(values, weight) == pytest.approx(1.5)
    assert score.rms(values, weight) == pytest.approx(math.sqrt((3 * 1 + 1 * 9) / 4))
    assert score.spread(values, weight) == pytest.approx(math.sqrt((3 * 0.25 + 1 * 2.25) / 4))


def test_what_is_not_known_is_left_out_and_nothing_known_is_no_number() -> None:
    values = np.array([math.nan, 2.0, math.nan, 2.0])
    assert score.rms(values, ONES) == 2.0
    assert math.isnan(score.rms(np.full(4, math.nan), ONES))
    assert math.isnan(score.percentile(values, np.zeros(4), 0.95))


def test_percentile_is_of_sizes_and_by_the_metre() -> None:
    values = np.array([-9.0, 1.0, 2.0, -3.0])
    assert score.percentile(values, ONES, 0.5) == 2.0
    assert score.percentile(values, ONES, 0.75) == 3.0
    assert score.largest(values, ONES) == 9.0
    assert score.percentile(values, np.array([1.0, 100.0, 1.0, 1.0]), 0.95) == 1.0


def test_a_reversal_is_a_change_of_direction_with_or_without_a_pause() -> None:
    assert score.reversals(np.array([0, 1, 1, 0, 1, -1, 0, 0, 1, 0, -1], dtype=float)) == 3
    assert score.reversals(np.zeros(5)) == 0


def test_an_episode_must_last() -> None:
    mask = np.array([1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 1], dtype=bool)
    assert score.episodes(mask, 3) == 2
    assert score.episodes(mask, 4) == 1
    assert score.episodes(~mask, 2) == 0


def test_loop_health_of_the_known_case() -> None:
    """AR(1) with phi 0.9 and two steps of dead time: 1 - phi^4 = 0.3439 (derived by hand)."""
    noise = np.random.default_rng(5).standard_normal(200_000)
    y = np.empty_like(noise)
    last = 0.0
    for k, shock in enumerate(noise.tolist()):
        last = y[k] = 0.9 * last + shock
    assert score.loop_health(y, 2) == pytest.approx(0.3439, abs=0.01)
    assert score.loop_health(5.0 + y, 2) == pytest.approx(0.3439, abs=0.01)  # about the mean


def test_loop_health_of_white_noise_is_one_and_of_too_little_is_no_number() -> None:
    white = np.random.default_rng(6).standard_normal(50_000)
    assert score.loop_health(white, 8) == pytest.approx(1.0, abs=0.01)
    assert math.isnan(score.loop_health(white[:200], 8))
    assert math.isnan(score.loop_health(white, 0))
    assert math.isnan(score.loop_health(np.ones(5000), 8))
    white[7] = math.nan
    assert math.isnan(score.loop_health(white, 8))


def test_an_excursion_is_against_what_was_before_the_zone() -> None:
    chainage = np.arange(0.0, 20.0, 0.1)
    gap = np.full(chainage.size, 2.0)  # a constant offset is no excursion
    gap[(chainage > 4.95) & (chainage < 5.25)] = -1.0
    gap[(chainage > 11.95) & (chainage < 12.05)] = math.nan
    zones = [(4.6, 5.4), (9.6, 10.4), (11.95, 12.05), (0.0, 0.4), (19.6, 20.4)]
    found = score.excursion(gap, chainage, zones, 1.0)
    assert found[:2] == pytest.approx([3.0, 0.0])
    assert np.isnan(found[2:]).all()  # not seen; begun inside; not left


def test_backing_does_not_disturb_the_zones() -> None:
    there = np.arange(0.0, 6.0, 0.1)
    chainage = np.concatenate([there, there[:29:-1], np.arange(3.0, 12.0, 0.1)])
    gap = np.zeros(chainage.size)
    gap[(chainage > 8.95) & (chainage < 9.05)] = 0.5
    assert score.excursion(gap, chainage, [(8.6, 9.4)], 1.0) == pytest.approx([0.5])
