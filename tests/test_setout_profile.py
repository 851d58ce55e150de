"""Grades and vertical curves against published examples, every station, and against geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.setout.alignment import (
    Intersection,
    Profile,
    SetoutError,
    from_points,
    from_stations,
)


def curve(at: float, level: float, g1: float, g2: float, length: float) -> Profile:
    """One curve about a point, grades in %, with as much grade before and behind it."""
    far = length
    return from_points([
        Intersection(at - far, level - far * g1 / 100),
        Intersection(at, level, length / 2, length / 2),
        Intersection(at + far, level + far * g2 / 100),
    ])  # fmt: skip


def test_a_working_surveyors_crest_with_every_station() -> None:
    # mathhelpforum.com 118633: PVC 0+00 at 1067.29, +1.34 and -1.77 %, 500 ft, PVI 1070.64
    profile = curve(250.0, 1070.64, 1.34, -1.77, 500.0)
    at = np.array([0.0, 100, 200, 250, 300, 400, 500])
    printed = [1067.29, 1068.32, 1068.726, 1068.696, 1068.511, 1067.674, 1066.215]
    # he keeps three decimals and two in one place
    assert profile.levels(at) == pytest.approx(printed, abs=0.0011)
    [(high, level)] = profile.turning_points()
    assert (high, level) == (pytest.approx(215.43, abs=0.005), pytest.approx(1068.733, abs=0.001))


def test_a_surveying_courses_sag() -> None:
    # jerrymahun.com, VII curves, example 2: PVI 12+17.53 at 634.25, -3.50 and +2.00 %, 400 ft
    profile = curve(1217.53, 634.25, -3.5, 2.0, 400.0)
    [(low, level)] = profile.turning_points()
    assert (low, level) == (pytest.approx(1272.07, abs=0.006), pytest.approx(636.80, abs=0.006))


def test_a_textbooks_crest_of_stations() -> None:
    # Ghilani & Wolf, Elementary Surveying, example 25.1: problem from memory, levels recomputed
    profile = curve(4670.0, 853.48, 3.0, -2.4, 800.0)
    at = np.array([4270.0, 4300, 4400, 4500, 4600, 4700, 4800, 4900, 5000, 5070])
    levels = [841.48, 842.35, 844.81, 846.59, 847.70, 848.14, 847.90, 846.98, 845.39, 843.88]
    assert profile.levels(at) == pytest.approx(levels, abs=0.0051)


def test_a_long_crest_with_every_station() -> None:
    # scribd.com 410115058 ("Example About VC Elevations"): +3, -4 %, 2170 m, PVI 345+60 at 250 m
    profile = curve(34560.0, 250.0, 3.0, -4.0, 2170.0)
    at = np.array([33475.0, *range(33500, 35700, 100), 35645.0])
    printed = [
        217.45, 218.19, 220.95, 223.38, 225.50, 227.29, 228.75, 229.90, 230.72, 231.22, 231.40,
        231.25, 230.79, 230.00, 228.88, 227.45, 225.69, 223.61, 221.21, 218.48, 215.43, 212.06,
        208.37, 206.60,
    ]  # fmt: skip
    assert profile.levels(at) == pytest.approx(printed, abs=0.0051)
    assert profile.turning_points()[0][0] - 33475.0 == pytest.approx(930.0, abs=0.01)


def test_unequal_lengths_meet_over_the_point_with_one_grade() -> None:
    # offset H = (g1 - g2) L1 L2 / 2L, grade there g1 - 2H/L1 = g2 + 2H/L2
    # (ceboardexamgenerator.com, "5 unsymmetrical": formulas read there; numbers of ours)
    g1, g2, l1, l2 = 0.10, -0.10, 40.0, 80.0
    profile = from_points([
        Intersection(0, 100), Intersection(100, 110, l1, l2), Intersection(200, 100)
    ])  # fmt: skip
    offset = (g1 - g2) * l1 * l2 / (2 * (l1 + l2))
    at = np.array([60.0, 100.0, 180.0])
    assert profile.levels(at) == pytest.approx([106.0, 110.0 - offset, 102.0], abs=1e-9)
    over = g1 - 2 * offset / l1
    assert over == pytest.approx(g2 + 2 * offset / l2)
    assert profile.grades(np.array([100.0 - 1e-9, 100.0])) == pytest.approx([over, over], abs=1e-8)


def test_a_circular_arc_is_a_circle() -> None:
    radius, g1, g2 = 500.0, 0.06, -0.04
    profile = from_points([
        Intersection(0, 50 - 0.06 * 100), Intersection(100, 50, radius=radius),
        Intersection(220, 50 - 0.04 * 120),
    ])  # fmt: skip
    half = 0.5 * (math.atan(g1) - math.atan(g2))
    tangent = radius * math.tan(half)
    x0, z0 = 100 - tangent * math.cos(math.atan(g1)), 50 - tangent * math.sin(math.atan(g1))
    middle = x0 + radius * math.sin(math.atan(g1)), z0 - radius * math.cos(math.atan(g1))
    end = 100 + tangent * math.cos(math.atan(g2))
    at = np.linspace(x0, end, 301)
    off = np.hypot(at - middle[0], profile.levels(at) - middle[1]) - radius
    assert np.abs(off).max() < 1e-6
    assert profile.grades(np.array([end + 1e-6]))[0] == pytest.approx(g2)


def test_curves_longer_than_the_grades_are_refused_and_touching_ones_are_not() -> None:
    def two(length: float) -> Profile:
        half = length / 2
        return from_points([
            Intersection(0, 10), Intersection(50, 11, half, half),
            Intersection(90, 10.5, half, half), Intersection(150, 11),
        ])  # fmt: skip

    assert two(40.0).end == 150.0
    with pytest.raises(
        SetoutError, match="points at 50 and 90 m the curves need 42 m of a grade 40 m"
    ):
        two(42.0)
    with pytest.raises(SetoutError, match="first or last"):
        from_points([Intersection(0, 1, 5, 5), Intersection(50, 2)])


@given(
    st.lists(st.tuples(st.floats(5, 50), st.floats(-0.1, 0.1), st.floats(0, 1)),
             min_size=2, max_size=6)
)  # fmt: skip
def test_level_and_grade_run_on_through_every_curve(legs: list[tuple[float, float, float]]) -> None:
    at, level = 0.0, 100.0
    points = [Intersection(at, level)]
    for k, (way, grade, share) in enumerate(legs):
        at, level = at + way, level + way * grade
        room = 0.5 * min(way, legs[k + 1][0]) * share if k + 1 < len(legs) else 0.0
        points.append(Intersection(at, level, room, room))
    profile = from_points(points)
    inner = profile.knots[1:-1]
    step = 1e-7
    assert profile.levels(inner - step) == pytest.approx(profile.levels(inner), abs=1e-6)
    at_kink, jump = profile.kinks()
    sharp = {point.at for point in points if point.length_in < 1e-6}
    for place, size in zip(at_kink, jump, strict=True):
        assert abs(size) < 1e-6 or min(abs(place - one) for one in sharp) < 1e-6
    assert profile.levels(np.array([profile.end]))[0] == pytest.approx(level)


def test_stations_run_straight_between() -> None:
    profile = from_stations(np.array([0.0, 10, 30]), np.array([5.0, 6, 4]))
    assert profile.levels(np.array([5.0, 20, 30])) == pytest.approx([5.5, 5.0, 4.0])
    with pytest.raises(SetoutError):
        from_stations(np.array([0.0, 0.0]), np.array([5.0, 6.0]))
