"""Numbers with units, and typed readings back to SI.

Outside checks: 1 in = 25.4 mm and 1 ft = 0.3048 m exactly (NIST SP 811, appendix B.8; the
international yard and pound agreement of 1959); a slope of 1:n is 1/n, in degrees atan(1/n).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.errors import LineholdError
from tui.units import NOT_KNOWN, Fall, ReadingError, System, Units

METRIC, US = Units(), Units(System.US)


@pytest.mark.parametrize(
    ("units", "metres", "words"),
    [
        (METRIC, 0.004, "4.0 mm"),
        (METRIC, -0.0123, "-12.3 mm"),
        (METRIC, -0.00004, "0.0 mm"),
        (US, 0.0254, "1.00 in"),
        (US, 0.1524, "6.00 in"),
        (US, -0.0508, "-2.00 in"),
        (METRIC, None, NOT_KNOWN),
        (US, math.nan, NOT_KNOWN),
    ],
)
def test_heights(units: Units, metres: float | None, words: str) -> None:
    assert units.height(metres) == words


def test_signs_are_shown_on_demand_but_nothing_has_none() -> None:
    assert METRIC.height(0.002, signed=True) == "+2.0 mm"
    assert METRIC.height(-0.002, signed=True) == "-2.0 mm"
    assert METRIC.height(0.0, signed=True) == "0.0 mm"
    assert METRIC.height(-0.00001, signed=True) == "0.0 mm"


def test_a_cue_has_a_decimal_less_and_no_sign() -> None:
    assert METRIC.height_rough(-0.0043) == "4 mm"
    assert US.height_rough(0.00508) == "0.2 in"


def test_distance_and_speed() -> None:
    assert METRIC.distance(12.44) == "12.4 m"
    assert US.distance(30.48) == "100.0 ft"
    assert METRIC.speed(0.5) == "0.50 m/s"
    assert US.speed(0.3048) == "1.00 ft/s"
    assert US.speed(None) == NOT_KNOWN


@pytest.mark.parametrize(
    ("fall", "ratio", "words"),
    [
        (Fall.PERCENT, 0.02, "2.00 %"),
        (Fall.PERCENT, -0.015, "-1.50 %"),
        (Fall.ONE_IN, 0.02, "1:50.0"),
        (Fall.ONE_IN, -0.01, "-1:100.0"),
        (Fall.ONE_IN, 0.0, "level"),
        (Fall.DEGREES, 1.0, "45.00 deg"),
        (Fall.DEGREES, math.tan(math.radians(2.5)), "2.50 deg"),
        (Fall.PERCENT, None, NOT_KNOWN),
    ],
)
def test_crossfall(fall: Fall, ratio: float | None, words: str) -> None:
    assert Units(fall=fall).crossfall(ratio) == words


def test_the_side_is_said_in_words() -> None:
    """design.md, axes and signs: crossfall > 0 falls to the right."""
    assert METRIC.falls(0.02) == "2.00 % to the right"
    assert METRIC.falls(-0.02) == "2.00 % to the left"
    assert METRIC.falls(0.0) == "0.00 %"


@pytest.mark.parametrize(
    ("units", "text", "metres"),
    [
        (METRIC, "152", 0.152),
        (METRIC, " 152 mm ", 0.152),
        (METRIC, "15.2cm", 0.152),
        (METRIC, "0,152m", 0.152),
        (METRIC, "6.0in", 0.1524),
        (METRIC, '6"', 0.1524),
        (US, "6", 0.1524),
        (US, "6.0 in", 0.1524),
        (US, "0.5ft", 0.1524),
        (US, "152.4MM", 0.1524),
        (METRIC, "-3", -0.003),
        (METRIC, "+.5", 0.0005),
    ],
)
def test_typed_readings(units: Units, text: str, metres: float) -> None:
    assert units.read_height(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "nothing is typed"),
        ("abc", "is no length"),
        ("12 13", "is no length"),
        ("1e3", "is no"),
        ("nan", "is no length"),
        ("inf", "is no length"),
        ("5 yd", "yd is no unit of length here; mm, cm, m, in or ft is right"),
        ("101 m", "more than 100 m"),
    ],
)
def test_bad_readings_are_told(text: str, words: str) -> None:
    with pytest.raises(ReadingError, match=words) as caught:
        METRIC.read_height(text)
    assert isinstance(caught.value, LineholdError)
    assert isinstance(caught.value, ValueError)


@pytest.mark.parametrize(
    ("units", "text", "ratio"),
    [
        (METRIC, "2", 0.02),
        (METRIC, "-1.5 %", -0.015),
        (METRIC, "1:50", 0.02),
        (METRIC, "-1:40", -0.025),
        (METRIC, "44.9deg", math.tan(math.radians(44.9))),
        (Units(fall=Fall.DEGREES), "1", math.tan(math.radians(1.0))),
        (Units(fall=Fall.ONE_IN), "2", 0.02),
    ],
)
def test_typed_crossfalls(units: Units, text: str, ratio: float) -> None:
    assert units.read_crossfall(text) == pytest.approx(ratio, rel=1e-12)


@pytest.mark.parametrize("text", ["", "x", "1:0", "1:", "45 deg", "2 mm"])
def test_bad_crossfalls_are_told(text: str) -> None:
    with pytest.raises(ReadingError, match=r"is no crossfall; 2 %, 1:50 or 1\.15 deg is right"):
        METRIC.read_crossfall(text)


@given(st.floats(-2.0, 2.0), st.sampled_from([METRIC, US]))
def test_what_is_shown_reads_back_to_half_its_last_digit(metres: float, units: Units) -> None:
    half = 0.00005 if units is METRIC else 0.005 * 0.0254
    assert abs(units.read_height(units.height(metres)) - metres) <= half + 1e-9


@given(st.text(max_size=12))
def test_any_text_is_a_length_or_a_reading_error(text: str) -> None:
    try:
        metres = METRIC.read_height(text)
    except ReadingError:
        return
    assert abs(metres) <= 100.0


def test_the_other_system_keeps_the_way_of_crossfalls() -> None:
    units = Units(fall=Fall.ONE_IN)
    assert units.other == Units(System.US, Fall.ONE_IN)
    assert units.other.other == units
