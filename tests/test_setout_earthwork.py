"""Layers, areas, volumes, transitions and limits, against published examples and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.messages import Side
from firmware_py.setout import earthwork, layers, limits
from firmware_py.setout.alignment import Floats, Intersection, SetoutError, from_points
from firmware_py.setout.strip import Along, Strip, constant


def test_a_wikibooks_haul_of_cut_and_fill() -> None:
    # Wikibooks, Fundamentals of Transportation, Earthwork/Solution: pyramids where one end is zero
    at = np.array([0.0, 50, 75, 100, 115, 150])
    fill = earthwork.end_area_volumes(at, np.array([60.0, 50, 25, 5, 0, 0]), pyramid=True).sum()
    cut = earthwork.end_area_volumes(at, np.array([0.0, 0, 0, 10, 15, 30]), pyramid=True).sum()
    assert fill == pytest.approx(4087.5)
    assert cut == pytest.approx(1058.3, abs=0.05)
    assert fill - cut == pytest.approx(3029.2, abs=0.05)


def test_a_published_pair_of_end_areas() -> None:
    # boneyardtools.com: 50 and 70 ft2, 100 ft apart -> 6000 ft3 = 222.22 yd3
    volume = earthwork.end_area_volumes(np.array([0.0, 100]), np.array([50.0, 70])).sum()
    assert volume == pytest.approx(6000.0)
    assert volume / 27 == pytest.approx(222.22, abs=0.005)


def test_an_old_handbooks_railway_cut_both_ways() -> None:
    # Vose, Handbook of Railroad Construction, art. 108: base 20, slopes 1.5 : 1. He prints the end
    # areas 137, 350, 637 rounded and 56,200 by them; exact are 56,250, and 52,500 by the prismoid
    def area(depth: Floats) -> Floats:
        return depth * (20.0 + 1.5 * depth)

    at, depth = np.array([0.0, 50, 100, 150, 200]), np.array([0.0, 5, 10, 15, 0])
    assert area(depth)[1:4] == pytest.approx([137, 350, 637], abs=0.6)
    assert earthwork.end_area_volumes(at, area(depth)).sum() == pytest.approx(56_250.0)
    assert earthwork.end_area_volumes(at, area(depth)).sum() == pytest.approx(56_200, rel=1e-3)
    middle = area(0.5 * (depth[:-1] + depth[1:]))
    assert earthwork.prismoidal_volumes(at, area(depth), middle).sum() == pytest.approx(52_500.0)


def test_the_area_between_two_edges_by_hand() -> None:
    left, right = np.array([0.10, -0.10, 0.10, 0.0]), np.array([0.20, -0.20, -0.30, 0.0])
    cut, fill = earthwork.section_areas(left, right, np.full(4, 2.0))
    # mixed: it crosses after 0.1 / 0.4 of 2 m; triangles 0.5 x 0.5 x 0.1 and 0.5 x 1.5 x 0.3
    assert cut == pytest.approx([0.30, 0.0, 0.025, 0.0])
    assert fill == pytest.approx([0.0, 0.30, 0.225, 0.0])


@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(0.5, 10))
def test_cut_less_fill_is_the_mean_depth(left: float, right: float, width: float) -> None:
    cut, fill = earthwork.section_areas(np.array([left]), np.array([right]), np.array([width]))
    assert cut[0] >= 0.0
    assert fill[0] >= 0.0
    assert cut[0] - fill[0] == pytest.approx(0.5 * width * (left + right), abs=1e-9)


def test_layers_lie_below_each_other_and_loose_material_stands_proud() -> None:
    # calculator.academy, asphalt compaction: 15 in poured, factor 0.23 -> 11.55 in compacted
    [layer, _] = layers.stack([("mix", 11.55, 0.23)])
    assert layer.loose == pytest.approx(15.0)
    made = layers.stack([("paving", 0.06, 0.0), ("bedding", 0.03, 0.0), ("base", 0.15, 0.15)])
    assert [one.below for one in made] == pytest.approx([0.0, 0.06, 0.09, 0.24])
    assert made[-1].name == layers.FORMATION
    # by hand: 150 / 0.85 = 176.5 mm loose, so the base is graded 90 - 26.5 mm below
    assert layers.graded_below(made[2]) == pytest.approx(0.09 - (0.15 / 0.85 - 0.15))
    with pytest.raises(SetoutError):
        layers.stack([("air", 0.0, 0.0)])


def strip(crossfall: Along, grade: float = 0.0, level_at: str = "left") -> Strip:
    ends = [Intersection(0, 10), Intersection(100, 10 + 100 * grade)]
    return Strip(from_points(ends), level_at, crossfall, constant(3.6), 0.0, Side.LEFT)  # type: ignore[arg-type]


def test_edges_fall_to_the_right_from_wherever_the_levels_are_given() -> None:
    at = np.array([50.0])
    for level_at, left, right in (("left", 10.0, 9.928), ("middle", 10.036, 9.964),
                                  ("right", 10.072, 10.0)):  # fmt: skip
        one = strip(constant(0.02), level_at=level_at)
        assert one.finished(at, "left")[0] == pytest.approx(left)
        assert one.finished(at, "right")[0] == pytest.approx(right)


def test_a_runoffs_length_is_width_times_change_over_gradient() -> None:
    # AASHTO's runoff L = w n e / delta (from memory): 3.6 m lane, 6 %, 0.5 % -> 43 m at 80 km/h
    run = Along(np.array([20.0, 20 + 43.2]), np.array([0.0, 0.06]))
    [one] = limits.transitions(run, constant(3.6), 0.0, 100.0)
    assert one.edge_grade == pytest.approx(0.005)
    assert (one.start, one.end) == (20.0, pytest.approx(63.2))
    assert limits.transition_warnings([one], 0.002) == []
    [words] = limits.transition_warnings([one], 0.001)
    assert "20 to 63.2 m: 0.14 % of crossfall a metre, beyond 0.1" in words
    assert "60.0 m long" in words


def test_a_transition_over_several_rows_of_one_rate_is_one() -> None:
    run = Along(np.array([10.0, 15, 20, 30]), np.array([0.02, 0.015, 0.01, 0.02]))
    found = limits.transitions(run, constant(2.0), 0.0, 50.0)
    assert [(one.start, one.end) for one in found] == [(10.0, 20.0), (20.0, 30.0)]


@pytest.mark.parametrize(
    ("crossfall", "tolerance", "words"),
    [
        (1 / 48 - 1e-6, 0.0, ""),
        (1 / 48 + 1e-6, 0.0, "steeper than 1:48"),
        (-1 / 48 - 1e-4, 0.0, "steeper than 1:48"),
        (0.02, 0.003, "leaves 0.08 % to 1:48"),
        (0.015, 0.003, ""),
    ],
)
def test_cross_slopes_of_ada_2010_403_3(crossfall: float, tolerance: float, words: str) -> None:
    at = np.linspace(0, 100, 11)
    told = limits.accessible_warnings(strip(constant(crossfall)), at, tolerance)
    assert [words in one and "ADA 2010, 403.3" in one for one in told] == [True] * bool(words)
    assert all(one.endswith("check local rules") for one in told)


@pytest.mark.parametrize(
    ("grade", "words"),
    [(0.0499, ""), (-0.0501, "1:20"), (0.0833, "1:20"), (0.0834, "1:12")],
)
def test_running_slopes_of_ada_2010_403_3_and_405_2(grade: float, words: str) -> None:
    told = limits.accessible_warnings(strip(constant(0.0), grade), np.linspace(0, 100, 11), 0.0)
    assert [words in one for one in told] == [True] * bool(words)
