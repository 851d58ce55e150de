"""A small piece of the map of docs/ranging.md on the simulated bar, with all its faults.

The whole map, with 10^4 cold starts, is `python docs/ranging_map.py`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parent.parent / "docs"))

from ranging_bench import Setup
from ranging_bound import enough, place
from ranging_map import Cell, measure

STARTS = 60
SECONDS = 8.0  # of creeping, for the bias and the lateral
BIAS, LATERAL = 0.001, 0.006  # m; what is asked of the height's mean and of the lateral's rms
SOON = 0.9  # share of cold starts that come within half a second


def share_soon(cell: Cell) -> float:
    return sum(s.after_s is not None and s.after_s <= 0.5 for s in cell.starts) / len(cell.starts)


@pytest.mark.parametrize(
    ("clearance", "lateral"), [(400, -150), (400, 0), (600, 75), (600, 150), (800, -100)]
)
def test_a_string(clearance: float, lateral: float) -> None:
    cell = measure(Setup(clearance, lateral), STARTS, seed=11, steady_s=SECONDS)
    assert not cell.wrong
    assert share_soon(cell) >= SOON
    assert abs(cell.bias) <= BIAS
    assert cell.lateral_rms <= LATERAL


def test_what_is_enough_to_find_a_string() -> None:
    assert enough([3, 0, 3])
    assert enough([2, 1, 2, 0, 2])
    assert not enough([3, 2])
    assert not enough([2, 1, 1, 2])
    assert not enough([])


def test_no_answer_comes_before_the_string_was_heard_often_enough() -> None:
    """The bound is taken from the simulated truth alone; the search must keep to it."""
    heard = place(Setup(400.0, 50.0), 40, seed=16)
    answers = [h for h in heard if h.answer_s is not None]
    assert len(answers) > 30
    assert all(h.bound_s is not None and h.bound_s <= h.answer_s for h in answers)


@pytest.mark.parametrize("width", [45.0, 120.0])
def test_an_edge(width: float) -> None:
    setup = Setup(600.0, 50.0, kind="edge", width_mm=width)
    cell = measure(setup, STARTS, seed=12, steady_s=SECONDS)
    assert not cell.wrong
    assert share_soon(cell) >= SOON
    assert abs(cell.bias) <= BIAS


def test_a_finished_strip_with_stones() -> None:
    cell = measure(Setup(600.0, 0.0, "surface", "strip"), STARTS, seed=13, steady_s=0.0)
    assert not cell.wrong
    assert share_soon(cell) >= SOON


def test_one_echo_a_firing_is_never_wrong_but_over_a_pin() -> None:
    """There the pin's top and a string that much higher give the same echoes."""
    cell = measure(Setup(600.0, 0.0, "modest"), 30, seed=14, steady_s=0.0)
    assert len(cell.wrong) == cell.over_pin


@pytest.mark.parametrize("clearance", [400.0, 600.0, 800.0])
def test_where_the_string_is_cut_nothing_is_found(clearance: float) -> None:
    """Two seconds a try, over ground and windrows."""
    cell = measure(Setup(clearance, 0.0, cut=True), 12, seed=15)
    assert not cell.wrong
