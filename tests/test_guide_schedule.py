"""Targets by chainage, against numpy.interp and scipy's interpolation, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from firmware_py.guide.schedule import Schedule, Transition

GAPS = st.lists(st.floats(0.01, 50.0), min_size=1, max_size=30)
SMALL = st.floats(-0.2, 0.2)


@st.composite
def schedules(draw: st.DrawFn) -> tuple[list[float], list[float], list[float]]:
    """Rising chainages with an offset and a crossfall at each."""
    at = np.concatenate(([draw(st.floats(-500.0, 500.0))], draw(GAPS))).cumsum().tolist()
    values = st.lists(SMALL, min_size=len(at), max_size=len(at))
    return at, draw(values), draw(values)


@given(schedules(), st.lists(st.floats(-600.0, 2200.0), max_size=40))
def test_any_walk_along_any_stations_is_numpys_interpolation(
    made: tuple[list[float], list[float], list[float]], walk: list[float]
) -> None:
    """Forwards, backwards, in jumps, before the first station and past the last."""
    at, offsets, crossfalls = made
    schedule = Schedule(at, offsets, crossfalls)
    for x in [*at, *reversed(at), *walk]:
        schedule.look(x)
        assert schedule.offset == pytest.approx(np.interp(x, at, offsets), abs=1e-9)
        assert schedule.crossfall == pytest.approx(np.interp(x, at, crossfalls), abs=1e-9)
        assert min(offsets) - 1e-12 <= schedule.offset <= max(offsets) + 1e-12


def test_a_drive_both_ways_is_scipys_interpolation() -> None:
    """Steps of 5 mm as in a tick, 40 stations, up and down again."""
    gen = np.random.default_rng(3)
    at = np.cumsum(gen.uniform(0.2, 5.0, 40))
    offsets, falls = gen.normal(0.0, 0.02, 40), gen.normal(0.0, 0.03, 40)
    schedule = Schedule(at.tolist(), offsets.tolist(), falls.tolist())
    way = np.concatenate([np.arange(at[0], at[-1], 0.05), np.arange(at[-1], at[0], -0.05)])
    found = []
    for x in way.tolist():
        schedule.look(x)
        found.append((schedule.offset, schedule.crossfall))
    wanted = np.stack([interp1d(at, offsets)(way), interp1d(at, falls)(way)], axis=1)
    assert np.abs(np.array(found) - wanted).max() < 1e-12


def test_one_station_holds_everywhere() -> None:
    schedule = Schedule([10.0], [0.004], [0.02])
    for x in (-5.0, 10.0, 99.0):
        schedule.look(x)
        assert (schedule.offset, schedule.crossfall) == (0.004, 0.02)


def test_transitions_by_hand() -> None:
    """Crossfall from 10 to 16 m in two pieces; 20 mm of level from 30 to 31 m; a bow is none."""
    schedule = Schedule(
        [0, 10, 13, 16, 20, 25, 30, 31, 40], [0, 0, 0, 0, 0.004, 0, 0, 0.02, 0.02],
        [0.02, 0.02, 0.025, 0.03, 0.03, 0.03, 0.03, 0.03, 0.03],
    )  # fmt: skip
    assert schedule.transitions() == (
        Transition(10, 16, (0.02, 0.03), (0, 0)),
        Transition(30, 31, (0.03, 0.03), (0, 0.02)),
    )


@pytest.mark.parametrize("made", [([], [], []), ([1.0], [0.0, 0.0], [0.0])])
def test_columns_of_unequal_length_are_refused(made: tuple[list[float], ...]) -> None:
    with pytest.raises(ValueError, match="as many of each"):
        Schedule(*made)
