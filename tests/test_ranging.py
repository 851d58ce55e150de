"""Ranging: the geometry by hand, and the search in one frame for any string, edge and echoes.

The first-arrival formula is checked against a dense sampling of the reference (the nearest of many
points); the search by properties: an answer is the right one, or there is none.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.sense.finding import find_in_frame
from firmware_py.sense.ranging import (
    Fix,
    Frame,
    View,
    element_positions,
    slant_range,
    vertical_clearance,
)
from firmware_py.sense.search import FRAMES_MORE, FRAMES_TWO, Search

SPOTS = element_positions(5, 0.075)
HALF_ANGLE = math.radians(12.0)
NOISE, GROUND = 0.001, 0.13  # m; of a range at 600 mm, and the ground below the reference
clearances = st.floats(0.4, 0.8)
laterals = st.floats(-0.15, 0.15)


def view(half_width: float = 0.0) -> View:
    """The reference rig's bar, before any datum."""
    return View(SPOTS, HALF_ANGLE, half_width, NOISE, 0.2, 1.5)


def frame(c: float, y: float, half_width: float = 0.0, silent: tuple[int, ...] = ()) -> Frame:
    """What five elements hear without noise: the line where it is in the beam, ground behind."""
    out = []
    for k, at in enumerate(SPOTS):
        off = max(abs(at - y) - half_width, 0.0)
        line = [math.hypot(c, off)] if off <= c * math.tan(HALF_ANGLE) else []
        out.append(() if k in silent else (*line, c + GROUND))
    return out


def hearing(c: float, y: float, half_width: float, silent: tuple[int, ...]) -> int:
    """How many elements hear the line."""
    reach = c * math.tan(HALF_ANGLE) + half_width
    return sum(abs(at - y) <= reach for k, at in enumerate(SPOTS) if k not in silent)


@given(clearances, laterals, st.sampled_from(SPOTS), st.sampled_from([0.0, 0.0225, 0.06]))
def test_the_range_is_that_of_the_nearest_point(c: float, y: float, at: float, w: float) -> None:
    """Brute force over the flat top, 2001 points; half a step of 0.06 mm is far below 1 um here."""
    r, _, _ = slant_range(c, y, at, w)
    points = (y + w * (k / 1000.0 - 1.0) for k in range(2001))
    assert r == pytest.approx(min(math.hypot(c, at - p) for p in points), abs=1e-6)


@given(clearances, laterals, st.sampled_from(SPOTS), st.sampled_from([0.0, 0.06]))
def test_the_derivatives_are_the_numerical_ones(c: float, y: float, at: float, w: float) -> None:
    if abs(abs(at - y) - w) < 1e-4:
        return  # the corner of the flat top has two
    step = 1e-6
    _, by_c, by_y = slant_range(c, y, at, w)
    up = slant_range(c + step, y, at, w)[0] - slant_range(c - step, y, at, w)[0]
    across = slant_range(c, y + step, at, w)[0] - slant_range(c, y - step, at, w)[0]
    assert by_c == pytest.approx(up / (2 * step), abs=1e-6)
    assert by_y == pytest.approx(across / (2 * step), abs=1e-6)


@pytest.mark.parametrize(("y", "height"), [(-0.150, 0.60288), (0.150, 0.59688)])
def test_vertical_clearance_by_hand(y: float, height: float) -> None:
    """600 mm square to a bar whose left end is 2 % up: worked on paper, five figures."""
    assert vertical_clearance(0.6, y, math.atan(0.02), 0.0) == pytest.approx(height, abs=5e-6)


def test_elements_stand_from_right_to_left() -> None:
    assert element_positions(5, 0.075) == pytest.approx((-0.15, -0.075, 0.0, 0.075, 0.15))


@given(clearances, laterals, st.sets(st.integers(0, 4), max_size=2))
def test_a_string_is_found_where_it_is_or_not_at_all(c: float, y: float, gone: set[int]) -> None:
    silent = tuple(gone)
    fix = find_in_frame(frame(c, y, silent=silent), view())
    if fix is None:
        return
    assert fix.clearance == pytest.approx(c, abs=0.004)
    assert fix.lateral == pytest.approx(y, abs=0.02)
    assert fix.count >= 2


@given(
    clearances, laterals, st.sampled_from([0.0225, 0.06]), st.sets(st.integers(0, 4), max_size=2)
)
def test_an_edge_is_found_where_it_is_or_not_at_all(
    c: float, y: float, w: float, gone: set[int]
) -> None:
    fix = find_in_frame(frame(c, y, w, tuple(gone)), view(w))
    if fix is None:
        return
    assert fix.clearance == pytest.approx(c, abs=0.006)
    assert abs(fix.lateral - y) <= 0.02 + fix.band / 2


@given(st.floats(0.45, 0.8), st.floats(-0.07, 0.07))
def test_a_string_that_three_hear_is_found(c: float, y: float) -> None:
    """All of five sound; at least three hear the line: an answer is due, and a sharp one."""
    if hearing(c, y, 0.0, ()) < 3 or min(abs(abs(at - y) - c * 0.2126) for at in SPOTS) < 0.01:
        return  # near the rim of a beam an element may hear it or not
    fix = find_in_frame(frame(c, y), view())
    assert fix is not None
    assert fix.clearance == pytest.approx(c, abs=0.001)
    assert fix.lateral == pytest.approx(y, abs=0.003)


@given(clearances, laterals, st.integers(0, 4))
def test_one_element_never_gives_an_answer(c: float, y: float, alone: int) -> None:
    silent = tuple(k for k in range(5) if k != alone)
    assert find_in_frame(frame(c, y, silent=silent), view()) is None


@given(st.floats(0.5, 0.9), st.sets(st.integers(0, 4), max_size=3))
def test_flat_ground_is_no_string(c: float, gone: set[int]) -> None:
    """All elements read the same: a string cannot do that to three, nor with ground around it."""
    flat = [() if k in gone else (c,) for k in range(5)]
    assert find_in_frame(flat, view()) is None


def test_nothing_heard_is_no_answer() -> None:
    assert find_in_frame([()] * 5, view()) is None


def fixed(c: float, y: float, count: int) -> Fix:
    return Fix(c, y, count, 0.1, (1, 2, 3)[:count], True, 0.0005, 0.003)


def confirmed_after(count: int, laterals_: list[float]) -> int | None:
    """Frames until an answer of so many elements is sure, the lateral as given frame by frame."""
    search = Search()
    for n, y in enumerate(laterals_, start=1):
        if search.offer(fixed(0.6, y, count), frame(0.6, y)) is not None:
            return n
    return None


def test_two_elements_need_three_frames_and_three_need_two() -> None:
    assert confirmed_after(3, [0.0] * 5) == FRAMES_MORE == 2
    assert confirmed_after(2, [0.0] * 5) == FRAMES_TWO == 3


def test_candidates_that_disagree_never_add_up() -> None:
    assert confirmed_after(3, [0.0, 0.12, 0.0, 0.12, 0.0, 0.12]) is None


def test_a_frame_that_says_no_begins_anew_but_silence_does_not() -> None:
    said_no, silent = Search(), Search()
    for search in (said_no, silent):
        assert search.offer(fixed(0.6, 0.0, 3), frame(0.6, 0.0)) is None
    assert said_no.offer(None, frame(0.6, 0.0)) is None
    assert silent.offer(None, [()] * 5) is None
    assert said_no.offer(fixed(0.6, 0.0, 3), frame(0.6, 0.0)) is None
    assert silent.offer(fixed(0.6, 0.0, 3), frame(0.6, 0.0)) is not None
