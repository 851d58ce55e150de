"""The last gate before the valves: both sides of every limit, and whatever it is handed.

100 % of its branches, which `pytest tests/test_act_limiter.py --cov=firmware_py.act.limiter
--cov-branch --cov-fail-under=100` shows.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.act.limiter import MAX_GAP, MAX_STEP, NEUTRAL, STEP_S, Limiter

UP, DOWN = 0.7, 0.6
TICK = 0.01
ANY = st.floats(allow_nan=True, allow_infinity=True)
SANE = st.floats(-3.0, 3.0)


def _running(t: float = 0.0) -> Limiter:
    """Past its first call, which is always neutral."""
    limiter = Limiter(UP, DOWN)
    limiter.update(t, 0.0, 0.0, True)
    return limiter


def _at(left: float, right: float) -> Limiter:
    """Already giving these commands at 1 s."""
    limiter = _running()
    for k in range(1, 101):
        out = limiter.update(k * TICK, left, right, True)
    assert out == (left, right)
    return limiter


def test_the_first_call_is_neutral() -> None:
    assert Limiter(UP, DOWN).update(5.0, 0.1, 0.1, True) == NEUTRAL


@pytest.mark.parametrize(
    ("asked", "given"), [(0.69, 0.69), (0.71, UP), (-0.59, -0.59), (-0.61, -DOWN)]
)
def test_both_sides_of_the_cap(asked: float, given: float) -> None:
    limiter = _running()
    for k in range(1, 11):
        out = limiter.update(k * TICK, asked, asked, True)
    assert out == (given, given)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_both_sides_of_the_step(sign: float) -> None:
    limiter = _running()
    left, right = limiter.update(STEP_S, sign * (MAX_STEP - 0.01), sign * (MAX_STEP + 0.01), True)
    assert (left, right) == pytest.approx((sign * (MAX_STEP - 0.01), sign * MAX_STEP))


def test_the_step_goes_with_the_time_between_calls() -> None:
    assert _running().update(0.5 * STEP_S, 1.0, -1.0, True) == pytest.approx(
        (0.5 * MAX_STEP, -0.5 * MAX_STEP)
    )


def test_towards_neutral_and_across_it() -> None:
    """Shutting is at once; the other side of neutral counts from neutral, not from the far side."""
    assert _at(0.6, -0.6).update(1.01, 0.0, 0.0, True) == NEUTRAL
    assert _at(0.6, -0.6).update(1.01, -0.6, 0.6, True) == pytest.approx((-MAX_STEP, MAX_STEP))


@pytest.mark.parametrize(
    ("gap", "passes"),
    [
        (MAX_GAP - 1e-6, True),
        (MAX_GAP + 1e-6, False),
        (1e-6, True),
        (0.0, False),
        (-0.01, False),
    ],
)
def test_both_sides_of_the_time_limits(gap: float, passes: bool) -> None:
    out = _at(0.2, -0.2).update(1.0 + gap, 0.2, -0.2, True)
    assert out == ((0.2, -0.2) if passes else NEUTRAL)


def test_after_a_gap_it_is_neutral_once_and_begins_anew() -> None:
    limiter = _at(0.6, 0.6)
    assert limiter.update(2.0, 0.6, 0.6, True) == NEUTRAL
    assert limiter.update(2.01, 0.6, 0.6, True) == pytest.approx((MAX_STEP, MAX_STEP))


def test_a_clock_that_jumped_back_is_followed_from_there() -> None:
    limiter = _at(0.3, 0.3)
    assert limiter.update(0.2, 0.3, 0.3, True) == NEUTRAL
    assert limiter.update(0.21, 0.3, 0.3, True) == (0.3, 0.3)


@pytest.mark.parametrize("allowed", [False, None, 0, 1, "yes"])
def test_only_true_allows(allowed: object) -> None:
    assert _at(0.2, 0.2).update(1.01, 0.2, 0.2, allowed) == NEUTRAL  # type: ignore[arg-type]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_no_number_on_either_side_shuts_both(bad: float) -> None:
    for pair in ((bad, 0.2), (0.2, bad)):
        limiter = _at(0.2, 0.2)
        assert limiter.update(1.01, *pair, True) == NEUTRAL
        assert (limiter.left, limiter.right) == NEUTRAL
    assert _at(0.2, 0.2).update(bad, 0.2, 0.2, True) == NEUTRAL


def test_reset_is_neutral() -> None:
    limiter = _at(0.3, 0.3)
    limiter.reset()
    assert (limiter.left, limiter.right) == NEUTRAL
    assert limiter.update(1.01, 0.3, 0.3, True) == NEUTRAL


@pytest.mark.parametrize("cap", [0.0, -0.1, 1.01, math.nan])
def test_caps_outside_0_to_1_are_refused(cap: float) -> None:
    for pair in ((cap, 0.5), (0.5, cap)):
        with pytest.raises(ValueError, match="caps"):
            Limiter(*pair)
    assert Limiter(1.0, 1.0).up == 1.0


@given(st.lists(st.tuples(ANY, ANY, ANY, st.booleans()), min_size=1, max_size=30))
def test_whatever_it_is_handed_the_commands_are_finite_and_within_the_caps(
    calls: list[tuple[float, float, float, bool]],
) -> None:
    limiter = Limiter(UP, DOWN)
    for now, left, right, allowed in calls:
        out = limiter.update(now, left, right, allowed)
        assert all(-DOWN <= value <= UP for value in out)
        assert allowed or out == NEUTRAL


@given(st.lists(st.tuples(st.floats(0.001, 0.08), SANE, SANE), min_size=1, max_size=40))
def test_no_command_goes_away_from_neutral_faster_than_a_person_reacts(
    calls: list[tuple[float, float, float]],
) -> None:
    limiter, now, last = _running(), 0.0, NEUTRAL
    for gap, left, right in calls:
        now += gap
        out = limiter.update(now, left, right, True)
        for value, before in zip(out, last, strict=True):
            same_side = before if value * before > 0.0 else 0.0
            assert abs(value) - abs(same_side) <= MAX_STEP * gap / STEP_S + 1e-9
        last = out


@given(SANE, SANE)
def test_what_is_within_all_limits_passes_untouched(left: float, right: float) -> None:
    left, right = left / 10.0, right / 10.0
    assert _running().update(STEP_S, left, right, True) == (left, right)
