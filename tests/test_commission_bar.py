"""Bar zero, scale and string check: echoes by hand, no simulated rig."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py.commission.bar import bar_result, element
from firmware_py.commission.bar_sound import from_air
from firmware_py.commission.estimate import CommissionError, Floats
from firmware_py.commission.looks import Look
from firmware_py.commission.string_check import Cell, cell, verdict

HEIGHTS = (0.4, 0.8)
SOUND_20C = 331.3 * math.sqrt(1.0 + 20.0 / 273.15)  # docs/checks.md: 343.2 m/s at 20 C


def _look(height: float, zero: float, scale: float, seed: int, *, noise: float = 1e-3) -> Look:
    """300 firings: 5 % silent, 2 % late by 20 to 120 mm, as a poor ranger does."""
    gen = np.random.default_rng(seed)
    r = height * scale + zero + noise * gen.standard_normal(285)
    r[:6] += gen.uniform(0.02, 0.12, 6)
    steps = np.round(r / 1e-3) * 1e-3
    return Look((2.0 * steps / SOUND_20C,), (300,), 20.0)


def test_zero_and_scale_by_hand() -> None:
    """3 mm and 0.5 %: at the middle, 600 mm, the element reads 3 + 3 mm too much."""
    looks = (_look(0.4, 3e-3, 1.005, 1), _look(0.8, 3e-3, 1.005, 2))
    found = element(0, looks, HEIGHTS, from_air(looks, 0.0))
    assert found.zero.value == pytest.approx(6e-3, abs=4.0 * 1e-3 / math.sqrt(570))
    assert found.scale.value == pytest.approx(1.005, abs=4.0 * 1e-3 * math.sqrt(2 / 285) / 0.4)
    assert found.heard == pytest.approx(0.94, abs=0.02)
    assert found.sd == pytest.approx(1e-3, rel=0.2)


def test_uncertainty_by_hand() -> None:
    """0.3 mm at each height; 0.5 K is 0.5 / (2 x 293.15) of a range."""
    looks = (_look(0.4, 0.0, 1.0, 3), _look(0.8, 0.0, 1.0, 4))
    found = element(0, looks, HEIGHTS, from_air(looks, 0.5), height_u=3e-4)
    terms = {term.name: term.u for term in found.zero.type_b}
    assert terms["known heights"] == pytest.approx(3e-4 / math.sqrt(2.0))
    assert terms["air temperature"] == pytest.approx(0.6 * 0.5 / (2.0 * 293.15))
    assert found.zero.type_a == pytest.approx(0.5 * 1e-3 * math.sqrt(2.0 / 285.0), rel=0.15)
    terms = {term.name: term.u for term in found.scale.type_b}
    assert terms["known heights"] == pytest.approx(3e-4 * math.sqrt(2.0) / 0.4)


def test_what_cannot_be_is_refused() -> None:
    good = _look(0.4, 0.0, 1.0, 5), _look(0.8, 0.0, 1.0, 6)
    air = from_air(good, 0.3)
    with pytest.raises(CommissionError, match=r"at least 0\.1 m"):
        element(0, (good[0], good[0]), (0.40, 0.43), air)
    with pytest.raises(CommissionError, match="in 3 of 300"):
        element(0, good, (0.4, 0.9), air)
    with pytest.raises(CommissionError, match="measure the heights again"):
        element(0, good, (0.4, 0.845), air)
    deaf = Look((good[0].flights[0][:140],), (300,), 20.0)
    with pytest.raises(CommissionError, match="at least half"):
        element(0, (deaf, good[1]), HEIGHTS, air)
    with pytest.raises(CommissionError, match="thermometer"):
        bar_result((Look(good[0].flights, (300,), None), good[1]), HEIGHTS)


def test_speed_of_sound_of_the_air() -> None:
    look = Look((), (), 20.0)
    found = from_air((look, look), 0.5).speed
    assert found.value == pytest.approx(343.2, abs=0.05)  # ISO 9613-1's value
    assert found.u == pytest.approx(343.2 * 0.5 / (2.0 * 293.15), rel=1e-3)


Y = (-0.15, -0.075, 0.0, 0.075, 0.15)


def _ranges(clearance: float, lateral: float, share: float, seed: int) -> list[Floats]:
    """100 firings of each element; r^2 = c^2 + (y_i - y)^2, 1 mm of noise, `share` heard."""
    gen = np.random.default_rng(seed)
    return [
        np.hypot(clearance, y - lateral) + 1e-3 * gen.standard_normal(round(100 * share)) for y in Y
    ]


def _cell(clearance: float, lateral: float, share: float, seed: int = 1) -> Cell:
    ranges = _ranges(clearance, lateral, share, seed)
    return cell(clearance, lateral, Y, math.radians(12.0), fired=[100] * 5, ranges=ranges)


def test_a_cell_counts_the_elements_that_have_the_line_in_view() -> None:
    """At 300 mm 0.9 of 12 deg reaches 57 mm aside: the middle element alone, under the middle."""
    found = _cell(0.3, 0.0, 0.9)
    assert (found.fired, found.heard) == (100, 90)
    assert found.spread_m == pytest.approx(1e-3, rel=0.25)
    assert _cell(0.6, 0.0, 0.9).fired == 300  # 114 mm: three elements


def test_verdict_on_both_sides_of_80_percent() -> None:
    assert verdict([_cell(0.5, 0.0, 0.80)]).ok
    refused = verdict([_cell(0.5, 0.0, 0.79)])
    assert not refused.ok
    for words in ("79 %", "at least 80 %", "string is refused", "3 mm", "tube", "edge"):
        assert words in refused.words


def test_where_a_lower_bar_hears_it_the_words_say_so() -> None:
    found = verdict([_cell(0.4, 0.0, 0.97), _cell(0.7, 0.0, 0.3)])
    assert not found.ok
    assert "up to 400 mm" in found.words
    assert "lower" in found.words


def test_nothing_in_view() -> None:
    found = verdict([_cell(0.3, 0.4, 1.0)])
    assert not found.ok
    assert "No element" in found.words


def test_the_rate_s_interval_allows_for_bursts() -> None:
    """300 firings in bursts of 3 count as 100: sqrt(0.9 x 0.1 / 104), about."""
    assert verdict([_cell(0.6, 0.0, 0.9)]).rate.u == pytest.approx(0.0317, abs=0.003)
