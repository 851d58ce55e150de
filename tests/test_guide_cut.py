"""The limit of a cut, the record of the ground, and overload: rules, not scenes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.guide.cut import CELL, MOST, Ground, cut_words, limit_over
from firmware_py.guide.overload import BACK_S, MEANT_S, SLOW_S, Overload

HEIGHT = st.floats(-0.5, 0.5)


@given(HEIGHT, st.floats(0.005, 0.2))
def test_the_edge_is_never_below_the_target_nor_below_the_limit(ground: float, each: float) -> None:
    """And never higher than the higher of both: the lower demand is taken."""
    over = limit_over(ground, each)
    assert over >= 0.0
    assert over >= ground - each
    assert over == max(0.0, ground - each)


def test_where_nobody_knows_the_ground_there_is_no_limit() -> None:
    assert limit_over(None, 0.03) == 0.0
    assert cut_words(None, 0.0) == ""


@given(st.lists(st.tuples(st.floats(0.0, 40.0), HEIGHT), max_size=60), st.floats(-5.0, 45.0))
def test_whatever_was_noted_the_ground_is_a_mean_of_it_or_what_was_said(
    noted: list[tuple[float, float]], at: float
) -> None:
    ground = Ground(0.0, 40.0)
    ground.set_datum(0.08)
    for chainage, height in noted:
        ground.note(chainage, height)
    ground.leave()
    found = ground.height(at)
    assert found is not None
    heights = [height for _, height in noted]
    assert found == 0.08 or min(heights) - 1e-12 <= found <= max(heights) + 1e-12


def test_the_words_of_a_cut() -> None:
    """80 mm of ground, 25 each: 25 are cut and 55 are left; the next pass leaves 30."""
    assert cut_words(0.080, limit_over(0.080, 0.025)) == "cutting 25, 55 left"
    assert cut_words(0.055, limit_over(0.055, 0.025)) == "cutting 25, 30 left"
    assert cut_words(0.020, limit_over(0.020, 0.025)) == "cutting 20, 0 left"
    assert cut_words(-0.012, 0.0) == "filling 12"


def test_a_pass_is_known_to_the_next_one_and_not_to_itself() -> None:
    """The edge at 50 mm over cells 4 to 8; the cell that it is in still has the old ground."""
    ground = Ground(0.0, 10.0)
    ground.set_datum(0.08)
    for k in range(100):
        x = 1.0 + k * 0.01
        assert ground.height(x) == 0.08
        ground.note(x, 0.05)
    ground.leave()
    assert ground.height(1.3) == pytest.approx(0.05)
    assert ground.height(2.3) == 0.08
    ground.set_datum(None)  # heights over the old datum are void
    assert ground.height(1.3) is None


def test_the_jobs_own_levels_come_before_what_the_driver_said() -> None:
    """Stated at 2 m and 6 m: 40 and 80 mm; the middle of the cell at 4 m: 60 + 1.25 mm."""
    ground = Ground(0.0, 10.0, [(2.0, 0.04), (6.0, 0.08)])
    ground.set_datum(0.1)
    assert ground.height(4.0) == pytest.approx(0.04 + 0.04 * (4.0 + CELL / 2 - 2.0) / 4.0)
    assert ground.height(1.0) == 0.1
    assert ground.height(9.0) == 0.1


def test_a_long_job_has_longer_cells() -> None:
    """A state is taken each 10 s in the loop: it may not grow with the job."""
    assert len(Ground(0.0, 20_000.0).cells) <= MOST + 1
    assert Ground(0.0, 20_000.0).height(25_000.0) is None


def run(watch: Overload, speed: float, seconds: float, *, cutting: bool = True,
        effort: bool = False) -> float:  # fmt: skip
    eased = 0.0
    for _ in range(round(seconds / 0.01)):
        eased = watch.update(0.01, speed, cutting=cutting, effort=effort, led=True)
    return eased


def test_slow_in_a_cut_is_an_overload_and_ends_with_the_speed() -> None:
    watch = Overload(0.015)
    assert run(watch, 0.5, 3.0) == 0.0
    assert run(watch, 0.25, SLOW_S - 0.05) == 0.0
    assert run(watch, 0.25, 0.1) == 0.015
    assert run(watch, 0.45, BACK_S - 0.05) == 0.015
    assert run(watch, 0.45, 0.1) == 0.0


@pytest.mark.parametrize(
    ("speed", "cutting", "effort", "eased"),
    [(0.31, True, False, 0.0), (0.29, True, False, 0.015), (0.29, False, False, 0.0),
     (0.29, False, True, 0.015), (0.04, True, True, 0.0)],
)  # fmt: skip
def test_both_sides_of_what_an_overload_is(
    speed: float, cutting: bool, effort: bool, eased: float
) -> None:
    """60 % of 0.5 m/s is 0.3; slower than 0.05 m/s is standing; full effort is one or the other."""
    watch = Overload(0.015)
    run(watch, 0.5, 3.0)
    assert run(watch, speed, 1.0, cutting=cutting, effort=effort) == eased


def test_a_brake_is_none() -> None:
    watch = Overload(0.015)
    run(watch, 0.5, 3.0)
    for k in range(50):
        assert run(watch, 0.5 - 0.01 * k, 0.02) == 0.0


def test_who_means_to_be_slow_gets_the_cut_back() -> None:
    watch = Overload(0.015)
    run(watch, 0.5, 3.0)
    run(watch, 0.2, 1.0)
    assert run(watch, 0.2, MEANT_S + BACK_S + 0.1) == 0.0
    assert run(watch, 0.2, 5.0) == 0.0  # and it is the usual speed from then on


def test_what_is_not_led_is_forgotten() -> None:
    watch = Overload(0.015)
    run(watch, 0.5, 3.0)
    run(watch, 0.2, 1.0)
    assert watch.update(0.01, 0.2, cutting=True, effort=False, led=False) == 0.0
    assert watch.usual == 0.0
