"""Where pins stand and which gate suits: rules kept, and figures by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_py.messages import Side
from firmware_py.setout import string
from firmware_py.setout.alignment import Intersection, from_points
from firmware_py.setout.gate import Seen, apparent, find_gate, sigma_of
from firmware_py.setout.pins import Rules, Span, place_pins
from firmware_py.setout.strip import Strip, constant
from firmware_py.settings import Bar, Rig
from firmware_py.settings_file import find_rig, load_rig

PULL = 2e-4


def strip(g1: float, g2: float, length: float) -> Strip:
    points = [Intersection(0, 10), Intersection(40, 10 + 40 * g1, length / 2, length / 2),
              Intersection(80, 10 + 40 * (g1 + g2))]  # fmt: skip
    return Strip(from_points(points), "left", constant(0.02), constant(2.0), 0.1, Side.LEFT)


def true_errors(one: Strip, pins: np.ndarray) -> tuple[float, float, float]:
    """Largest |bow|, sag and |bow + sag| by dense sampling with numpy's own interpolation."""
    at = np.linspace(0.0, 80.0, 16001)
    bow = one.edge(at) - np.interp(at, pins, one.edge(pins))
    k = np.clip(np.searchsorted(pins, at, side="right") - 1, 0, pins.size - 2)
    sag = 0.5 * PULL * (at - pins[k]) * (pins[k + 1] - at)
    return float(np.abs(bow).max()), float(sag.max()), float(np.abs(bow + sag).max())


@settings(max_examples=40, deadline=None)
@given(st.floats(-0.04, 0.04), st.floats(-0.04, 0.04), st.floats(20, 80), st.floats(2e-3, 1e-2))
def test_pins_keep_the_tolerance_and_the_spacing(g1: float, g2: float, length: float,
                                                 tol: float) -> None:  # fmt: skip
    one = strip(g1, g2, length)
    pins = place_pins(one, Rules(tol, 6.0, 0.5, PULL))
    spans = np.diff(pins)
    assert (pins[0], pins[-1]) == (0.0, 80.0)
    assert spans.min() > 0.0
    assert spans.max() <= 6.0 + 1e-9
    assert max(true_errors(one, pins)) <= tol * 1.02


def test_on_a_curve_pins_are_as_far_apart_as_the_formula_says() -> None:
    one = strip(0.03, -0.03, 60.0)
    pins = place_pins(one, Rules(2e-3, 6.0, 0.5, PULL))
    inside = np.diff(pins[(pins >= 10.0) & (pins <= 70.0)])
    widest = string.widest(-0.06 / 60.0, PULL, 1.0, 2e-3)
    # a little less: sixty metres are divided into even spans, to 0.05 m
    assert widest * 0.93 < inside.max() <= widest
    before = np.diff(pins[pins <= 10.0])
    assert before.max() == pytest.approx(5.0)


def test_a_kink_has_a_pin_and_so_has_each_end_of_a_gap() -> None:
    pins = place_pins(strip(0.02, -0.02, 0.0), Rules(3e-3, 6.0, 1.0, PULL), wanted=(21.0, 24.5))
    assert {21.0, 24.5, 40.0} <= set(pins.tolist())


def test_pins_stand_closer_in_a_bend_in_plan() -> None:
    most = string.chord_for(25.0, 0.020)
    pins = place_pins(
        strip(0.0, 0.0, 0.0), Rules(3e-3, 6.0, 0.5, PULL), [Span(30.0, 50.0, most)], (30.0, 50.0)
    )
    spans, middles = np.diff(pins), 0.5 * (pins[:-1] + pins[1:])
    bend = (middles > 30.0) & (middles < 50.0)
    assert spans[bend].max() <= most
    assert string.middle_ordinate(25.0, spans[bend].max()) <= 0.020
    assert spans[~bend].max() == pytest.approx(6.0)


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(find_rig("reference"))


@pytest.fixture(scope="module")
def bar(rig: Rig) -> Bar:
    return rig.bars[Side.LEFT]


def test_sigma_by_hand(bar: Bar) -> None:
    # 1 mm at 600 mm is 0.75 at 450; a step of 1 mm is 1/sqrt(12); pins to 1 mm
    hand = math.sqrt(0.75**2 + 1 / 12 + 1)
    assert sigma_of(bar, 0.45, 1e-3) == pytest.approx(1e-3 * hand)


def test_how_things_read_by_hand(bar: Bar) -> None:
    # 600 mm to the string; a pin 50 mm proud of it under the middle element reads 50 mm nearer
    pin = apparent(bar, 0.6, Seen("pin", 0.05, point=True))
    middle = pin.reshape(5, 3)[2, 1]
    assert middle == pytest.approx(-0.05)
    # the outermost element is 150 mm off: hypot(600, 150) = 618.5; ground 200 mm below the string
    # reads 800: 181.5 farther along the slant, 187.1 in vertical clearance
    ground = apparent(bar, 0.6, Seen("ground", -0.2)).reshape(5, 3)
    slant = math.hypot(0.6, 0.15)
    assert ground[0, 1] == pytest.approx((0.8 - slant) * slant / 0.6)
    assert ground[2, 1] == pytest.approx(0.2)
    # a kerb 500 mm aside is in no beam
    assert np.isnan(apparent(bar, 0.6, Seen("kerb", -0.2, 0.5))).all()


def test_a_gate_keeps_pins_and_ground_out_by_three_sigma(rig: Rig, bar: Bar) -> None:
    found = find_gate(rig, bar, 0.3, pin_sd=1e-3, pin_proud=0.030, tolerance=5e-3,
                      things=[Seen("the ground", -0.10)])  # fmt: skip
    off = 3 * found.sigma
    pin = apparent(bar, 0.45, Seen("pin", 0.03, point=True))
    ground = apparent(bar, 0.45, Seen("the ground", -0.10))
    assert found.warnings == []
    assert -np.nanmax(pin) - off - 1e-3 < found.near <= -np.nanmax(pin) - off
    assert found.far == pytest.approx(rig.gate.far_mm * 1e-3)
    assert found.far <= np.nanmin(ground) - off


def test_where_no_gate_suits_it_says_what_would_help(rig: Rig, bar: Bar) -> None:
    def words(proud: float, *things: Seen) -> str:
        return " ".join(
            find_gate(rig, bar, 0.3, pin_sd=1e-3, pin_proud=proud, tolerance=5e-3,
                      things=things).warnings
        )  # fmt: skip

    # the pin must stand 3 sigma and (3 sigma + 5 mm) proud: 3.85 + 8.85 = 12.7 mm
    assert "let the pins stand 3 mm prouder" in words(0.010)
    assert words(0.0130) == ""
    assert "raise the string" in words(0.05, Seen("the ground", -0.015))
    assert "a start needs 75 mm" in words(0.05, Seen("the ground", -0.06))
    assert "clear it away, or set the string farther" in words(0.05, Seen("formwork", 0.001, 0.1))


def test_a_bar_that_cannot_reach_is_told(rig: Rig, bar: Bar) -> None:
    for above, words in ((0.7, "reaches 200 to 1500"), (0.4, "from 400 to 800"), (0.3, "")):
        found = find_gate(rig, bar, above, pin_sd=1e-3, pin_proud=0.05, tolerance=5e-3, things=[])
        assert [words in one for one in found.warnings] == [True] * bool(words)
