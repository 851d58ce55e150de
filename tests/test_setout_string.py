"""Sag, chord and spacing against published figures, the catenary and plain geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.commands import cli
from firmware_py.setout import string
from firmware_py.setout.alignment import SetoutError


def test_published_mid_sags() -> None:
    # mosg-portal.com, transmission lines: 1 kgf/m, 500 m, 10 000 kgf -> 3.125 m
    assert string.sag(500.0, 1.0, 10_000.0) == pytest.approx(3.125)
    # Scilab Textbook Companion 3035, example 5.1: 0.65 kg/m, 250 m, 3500 kgf (result recomputed)
    weight, tension = string.line_weight(0.65), 3500.0 * string.GRAVITY
    assert string.sag(250.0, weight, tension) == pytest.approx(1.4509, abs=1e-4)
    assert string.catenary_sag(250.0, weight, tension) == pytest.approx(1.4510, abs=1e-4)


def test_published_tape_corrections_are_the_lines_excess() -> None:
    # jiskha.com 1285538020: 0.320 N/m, 48.888 m, 100 N -> 0.0498 m
    assert string.length_excess(48.888, 0.320, 100.0) == pytest.approx(0.0498, abs=1e-4)
    # curioustab.com: 0.08 kgf/m, 5 spans of 10 m, 5 kgf -> 0.053 m in all
    assert 5 * string.length_excess(10.0, 0.08, 5.0) == pytest.approx(0.053, abs=5e-4)


def test_the_excess_is_eight_thirds_of_sag_squared_over_span() -> None:
    sag = string.sag(6.0, 0.03, 150.0)
    assert string.length_excess(6.0, 0.03, 150.0) == pytest.approx(8 * sag**2 / (3 * 6.0))


def test_sag_along_a_span_and_the_pull_that_keeps_it() -> None:
    x = np.array([0.0, 1.5, 3.0, 6.0])
    middle = string.sag(6.0, 0.03, 150.0)
    assert string.sag_at(x, 6.0, 0.03, 150.0) == pytest.approx([0, 0.75 * middle, middle, 0])
    pull = string.tension_for(6.0, 0.03, 1e-3)
    assert string.sag(6.0, 0.03, pull) == pytest.approx(1e-3)


def test_a_published_middle_ordinate() -> None:
    # pegenius.com daily question 70: R 1500 ft, T 197 ft -> M 12.8 ft
    chord = 2 * 1500.0 * math.sin(math.atan(197.0 / 1500.0))
    assert string.middle_ordinate(1500.0, chord) == pytest.approx(12.8, abs=0.05)
    assert string.chord_for(1500.0, string.middle_ordinate(1500.0, chord)) == pytest.approx(chord)
    with pytest.raises(SetoutError, match="chord of 9 m"):
        string.middle_ordinate(4.0, 9.0)


@pytest.mark.parametrize(("g1", "g2", "sign"), [(0.02, -0.02, 1), (-0.02, 0.02, -1)])
def test_bow_is_above_over_a_crest_and_below_in_a_hollow(g1: float, g2: float, sign: int) -> None:
    # external distance of a parabola E = (g2 - g1) L / 8 (any route surveying text), chord = curve
    rate = (g2 - g1) / 60.0
    assert string.bow(rate, 60.0) == pytest.approx(-(g2 - g1) * 60.0 / 8.0)
    assert math.copysign(1, string.bow(rate, 6.0)) == sign


@given(st.floats(-3e-3, 3e-3), st.floats(1e-5, 1e-3), st.floats(5e-4, 2e-2))
def test_the_widest_span_just_keeps_bow_sag_and_both(rate: float, pull: float, tol: float) -> None:
    span = string.widest(rate, pull, 1.0, tol)
    bow, sag = string.bow(rate, span), string.sag(span, pull, 1.0)
    worst = max(abs(bow), sag, abs(bow + sag))
    assert worst == pytest.approx(tol)


def test_the_parabola_stands_for_the_catenary_up_to_a_twentieth() -> None:
    """By the catenary's own formula, T / w (cosh(w L / 2 T) - 1): 0.33 % there, 5 % at a fifth."""
    for part, low, high in ((20.0, 0.003, 0.0035), (5.0, 0.045, 0.06)):
        pull = 8.0 / (part * 100.0)  # w / T, 1/m, of a sag of 100 m / part
        middle = string.sag(100.0, pull, 1.0)
        assert middle == pytest.approx(100.0 / part)
        assert low < string.catenary_sag(100.0, pull, 1.0) / middle - 1.0 < high
    assert string.is_shallow(100.0, 5.0)
    assert not string.is_shallow(100.0, 5.001)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["sag", "--span-m", "100", "--tension-n", "1"],
            "linehold sag: --tension-n: a sag of 37 m in 100 m is more than a twentieth, where "
            "w L^2 / (8 T) no longer holds; 7.35 N or more is right",
        ),
        (
            ["spacing", "--tension-n", "1", "--mass-g-per-m", "900"],
            "linehold spacing: --tension-n: a sag of 0.003 m in 0.0521 m is more than a twentieth, "
            "where w L^2 / (8 T) no longer holds; a harder pull is right",
        ),
    ],
)
def test_a_line_that_hangs_deep_is_refused(words: list[str], told: str) -> None:
    done = CliRunner().invoke(cli, words)
    assert (done.exit_code, done.stderr) == (2, told + "\n")


def test_no_bow_has_no_sign() -> None:
    done = CliRunner().invoke(cli, ["spacing", "--tolerance-mm", "2"])
    assert "bow 0.00 mm" in done.stdout
    done = CliRunner().invoke(cli, ["spacing", "--tolerance-mm", "2", "--json"])
    assert '"bow_mm": 0.0' in done.stdout
