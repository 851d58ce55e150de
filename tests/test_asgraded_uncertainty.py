"""Uncertainty: the combination against JCGM 100's own example, the terms by other ways."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from asgraded_made import SETTINGS, columns, run, way
from scipy.interpolate import BSpline

from firmware_py.asgraded import uncertainty
from firmware_py.asgraded.chainage import along
from firmware_py.asgraded.figures import expected_within, figures
from firmware_py.asgraded.uncertainty import Assumed, Known, alike, doubt

ALONE = Assumed(Known(0.0), Known(0.0), Known(0.0), Known(0.0), Known(0.0), span_m=1e-3)


def test_jcgm_100_example_h1() -> None:
    """JCGM 100:2008, H.1, end-gauge: 25, 9.7, 2.9 and 16.6 nm give 32 nm (values from memory)."""
    parts = [np.array([x]) for x in (25.0, 9.7, 2.9, 16.6)]
    assert float(uncertainty._root(parts)[0]) == pytest.approx(32.0, abs=0.5)


def test_strings_height_from_pin_to_pin_is_the_cubic_b_spline() -> None:
    spline = BSpline.basis_element([-2, -1, 0, 1, 2])
    t = np.linspace(-1.99, 1.99, 81)
    assert alike(t) == pytest.approx(spline(t))
    assert alike(np.array([2.5, np.inf])) == pytest.approx([0.0, 0.0])


def test_pins_that_err_independently_give_the_stated_uncertainty() -> None:
    """Drawn, not derived: strings on pins of 1 mm, the datum anywhere in a span."""
    gen = np.random.default_rng(3)
    pins = gen.standard_normal((4000, 8))
    start = gen.uniform(2.0, 3.0, 4000)  # in spans
    for away in (0.2, 0.7, 1.4, 3.0):
        height = [
            np.array([np.interp(s, np.arange(8.0), row) for s, row in zip(at, pins, strict=True)])
            for at in (start, start + away)
        ]
        drawn = float((height[1] - height[0]).std())
        stated = float(np.sqrt(2.0 * (alike(np.zeros(1)) - alike(np.array([away]))))[0])
        assert stated == pytest.approx(drawn, rel=0.04)


def test_sd_of_a_bow_of_sag() -> None:
    u = np.linspace(0.0, 1.0, 100_001)
    assert float((4.0 * u * (1.0 - u)).std()) == pytest.approx(uncertainty.BOW, rel=1e-4)


def test_probability_within_a_tolerance_against_scipy() -> None:
    from scipy.stats import norm  # takes a second

    gen = np.random.default_rng(5)
    e, u = gen.normal(0.0, 0.003, 200), gen.uniform(0.0005, 0.003, 200)
    want = norm.cdf(0.005, e, u) - norm.cdf(-0.005, e, u)
    assert expected_within(e, u, 0.005) == pytest.approx(float(want.mean()))


def test_expected_rms_is_that_of_edges_drawn_about_the_estimates() -> None:
    gen = np.random.default_rng(6)
    e, u = gen.normal(0.0, 0.002, 2000), np.full(2000, 0.0015)
    told = figures(np.arange(2000.0), e, u, 0.005)
    drawn = e + gen.normal(0.0, 0.0015, (200, 2000))
    assert told.expected_rms == pytest.approx(float(np.sqrt((drawn**2).mean())), rel=0.01)
    assert told.expected_within == pytest.approx(float((np.abs(drawn) <= 0.005).mean()), abs=0.003)
    assert told.rms < told.expected_rms


def trip(**more: object):  # type: ignore[no-untyped-def]
    return along(run(columns(way(20.0)), **more))


def test_a_tilt_zero_moves_the_other_end_by_the_width_and_the_led_end_not() -> None:
    """By hand: 0.5 mrad over 1.8 m are 0.9 mm; the datum takes it out of the led end."""
    one, two = (
        doubt(trip(), replace(ALONE, tilt_zero=Known(u))) for u in (0.0, 0.5e-3)
    )  # fmt: skip
    assert two.led == pytest.approx(one.led)
    grown = np.sqrt(two.other**2 - one.other**2)
    assert grown == pytest.approx(np.full(grown.size, 0.9e-3), rel=1e-6)
    assert np.sqrt(two.crossfall**2 - one.crossfall**2) == pytest.approx(np.full(4000, 0.5e-3))


def test_tilt_noise_adds_at_the_bar_and_over_the_width_before_it_is_squared() -> None:
    """By hand: half of 1.4 mrad; 0.3 m outside the end 0.21 mm, and 2.1 m from the bar 1.47 mm."""
    term = next(one for one in doubt(trip(), ALONE).terms if one.name == "tilt while driving")
    assert float(term.led[0]) == pytest.approx(0.21e-3)
    assert float((term.led + 1.8 * term.crossfall)[0]) == pytest.approx(1.47e-3)


def test_a_sensor_that_warms_is_trusted_less() -> None:
    """By hand: 0.1 mg/K times 5 K are 0.5 mrad."""
    made = columns(way(20.0))
    warm = replace(made, chip_c=18.0 + np.linspace(0.0, 5.0, len(made)))
    found = doubt(along(run(warm)), ALONE)
    term = next(one for one in found.terms if one.name.startswith("tilt drift"))
    assert float(term.crossfall[-1]) == pytest.approx(0.5e-3)
    assert float(term.crossfall[0]) == 0.0


def test_air_that_changes_is_known_to_half_of_its_lag() -> None:
    """By hand: 4 K in 40 s and a housing 30 s late lag 3 K behind, half of it is 1.5 K; at 0.6 m
    that is 0.6 * 1.5 / (2 * 273.15) = 1.65 mm."""
    made = columns(way(20.0))
    air = replace(made, air_c=17.0 + np.linspace(0.0, 4.0, len(made)))
    found = doubt(along(run(air)), ALONE)
    term = next(one for one in found.terms if one.name.startswith("air"))
    assert float(term.led[0]) == pytest.approx(1.65e-3, abs=0.01e-3)


def test_what_a_reflector_measures_is_no_longer_in_doubt() -> None:
    bar = SETTINGS["bars"]["left"] | {"reflector_mm": 200.0}
    settings = SETTINGS | {"bars": {"left": bar}}
    found = doubt(trip(settings=settings), Assumed())
    term = next(one for one in found.terms if one.name.startswith("air"))
    assert not term.led.any()


def test_where_the_error_is_not_known_there_is_no_interval() -> None:
    error = np.zeros(4000)
    error[100:200] = np.nan
    found = doubt(along(run(columns(way(20.0), left=error))), Assumed())
    assert np.isnan(found.led[100:200]).all()
    assert np.isnan(found.other[100:200]).all()
    assert np.isfinite(found.led[:100]).all()


def test_nothing_known_is_nothing_told() -> None:
    told = figures(np.zeros(3), np.full(3, np.nan), np.ones(3), 0.005)
    assert (told.known, told.stations) == (0, 3)
    assert math.isnan(told.rms)
    assert math.isnan(told.expected_within)
