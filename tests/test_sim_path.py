"""Plan alignment and design surface, by hand-made numbers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.path import Design, Path
from drivers.simulated.scene import string_sag

BENT = Path([(10.0, 0.0), (5.0 * math.pi, 10.0), (10.0, 0.0), (5.0 * math.pi, -10.0), (5.0, 0.0)])


def test_quarter_turn_left_then_right_by_hand() -> None:
    assert BENT.point(10.0) == pytest.approx((10.0, 0.0))
    assert BENT.point(10.0 + 5.0 * math.pi) == pytest.approx((20.0, 10.0))
    assert BENT.heading(10.0 + 5.0 * math.pi) == pytest.approx(math.pi / 2)
    assert BENT.point(20.0 + 10.0 * math.pi) == pytest.approx((30.0, 30.0))
    assert BENT.curvature(12.0) == pytest.approx(0.1)
    assert BENT.curvature(40.0) == pytest.approx(-0.1)


def test_offset_is_to_the_left() -> None:
    assert BENT.point(5.0, 2.0) == pytest.approx((5.0, 2.0))
    assert BENT.point(10.0 + 5.0 * math.pi, 2.0) == pytest.approx((18.0, 10.0))


@given(st.floats(-3.0, 60.0), st.floats(-3.0, 3.0), st.floats(-0.5, 0.5))
def test_locate_undoes_point(s: float, n: float, off: float) -> None:
    x, y = BENT.point(s, n)
    frame = BENT.locate(x, y, s + off)
    assert (frame.s, frame.n) == pytest.approx((s, n), abs=1e-9)
    assert frame.theta == pytest.approx(BENT.heading(s), abs=1e-9)


def test_an_arc_of_more_than_half_a_turn_keeps_its_chainage() -> None:
    loop = Path([(2.0 * math.pi * 5.0, 5.0)])
    for s in (1.0, 14.0, 17.0, 30.0):
        assert loop.locate(*loop.point(s, 0.5), s - 0.1).s == pytest.approx(s)


def test_design_height_and_slopes_by_hand() -> None:
    design = Design(Path([(50.0, 0.0)]), 3.0, 0.08, 0.02)
    assert design.height(10.0, 1.0) == pytest.approx(3.0 + 0.8 + 0.02)
    frame = design.path.locate(10.0, 1.0, 10.0)
    assert design.slope(frame, 0.0) == pytest.approx(0.08)
    assert design.slope(frame, math.pi / 2) == pytest.approx(0.02)  # left is higher
    assert design.slope(frame, math.pi) == pytest.approx(-0.08)


@pytest.mark.parametrize("segments", [[], [(0.0, 0.0)], [(-1.0, 0.0)], [(math.nan, 0.0)]])
def test_what_is_no_path_is_refused(segments: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="segment"):
        Path(segments)


@pytest.mark.parametrize(
    ("weight", "span", "tension", "sag"),
    [
        (9.80665, 500.0, 98066.5, 3.125),  # checks.md: mosg-portal.com, confirmed
        (0.65 * 9.81, 250.0, 3500 * 9.81, 1.45089),  # checks.md: Scilab companion, recomputed
        (0.03, 6.0, 150.0, 0.0009),  # the rig's own string, by hand: 0.03 * 36 / 1200
    ],
)
def test_sag_against_published_values(
    weight: float, span: float, tension: float, sag: float
) -> None:
    assert string_sag(weight, span, tension) == pytest.approx(sag, rel=1e-4)


def test_sag_agrees_with_the_length_correction() -> None:
    """checks.md: 8 s^2/(3L) = w^2 L^3/(24 T^2); 0.320 N/m, 48.888 m, 100 N -> 0.0498 m."""
    sag = string_sag(0.320, 48.888, 100.0)
    assert 8.0 * sag**2 / (3.0 * 48.888) == pytest.approx(0.0498, abs=1e-4)


@pytest.mark.parametrize("segments", [((80.0, 0.0),), ((20.0, 0.0), (30.0, 25.0), (30.0, 0.0))])
def test_the_height_at_a_point_is_that_of_its_frame(segments: tuple) -> None:
    """The short way on one straight gives the very same number as the long one."""
    surface = Design(Path(segments), 0.3, 0.012, 0.02)
    for s, n in ((5.0, 0.7), (31.0, -1.4), (62.0, 2.2)):
        x, y = surface.path.point(s, n)
        frame = surface.path.locate(x, y, s + 0.5)
        assert surface.height_at(x, y, s + 0.5) == surface.height(frame.s, frame.n)
        assert surface.height_at(x, y, s) == pytest.approx(0.3 + 0.012 * s + 0.02 * n, abs=1e-9)
