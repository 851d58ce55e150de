"""One valve's rest from small motions, and from too many: how often its oil may turn round."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.act.end import AT_ONCE_S, OFTEN_HZ, REVERSE, START, STOP, EndLoop, Quiet
from firmware_py.settings_file import find_rig, load_rig

TICK_S = 0.01
AT_ONCE = AT_ONCE_S * OFTEN_HZ
FAST = 0.060  # m/s


def turns(rates: list[float]) -> int:
    """How often what flows changes its direction, pauses left out."""
    flowing = [rate for rate in rates if rate]
    return sum(a * b < 0.0 for a, b in pairwise(flowing))


def wave(hz: float, seconds: float) -> list[float]:
    """A rate of FAST up and down so many times a second."""
    half = round(0.5 / hz / TICK_S)
    return [FAST if (n // half) % 2 == 0 else -FAST for n in range(round(seconds / TICK_S))]


@pytest.mark.parametrize("hz", [2.7, 5.0, 10.0, 50.0])
@pytest.mark.parametrize("often", [3.0, 6.0])
def test_oil_that_goes_to_and_fro_does_so_no_more_often_than_it_may(
    hz: float, often: float
) -> None:
    quiet, seconds = Quiet(TICK_S), 20.0
    done = turns([quiet.update(rate, often=often) for rate in wave(hz, seconds)])
    assert done <= often * seconds + AT_ONCE_S * often
    assert done > min(0.9 * often, 1.9 * hz) * seconds


@pytest.mark.parametrize(
    ("band_mm", "speed", "often"),
    [
        (1.5, 0.0, 3.0), (1.5, 0.3, 3.0), (1.5, -0.5, 3.0), (1.5, 1.0, 6.0), (3.0, 0.5, 3.0),
        (0.5, 0.5, 9.0), (0.0, 0.5, 45.0),
    ],
)  # fmt: skip
def test_how_often_goes_by_the_metre_and_by_the_dead_band(
    band_mm: float, speed: float, often: float
) -> None:
    rig = load_rig(find_rig("reference"))
    control = rig.control.model_copy(update={"dead_band_mm": band_mm})
    loop = EndLoop(rig.model_copy(update={"control": control}), 13.0, 2.4)
    assert loop.often(speed) == pytest.approx(often)


def test_what_turns_seldom_enough_goes_through_to_the_bit() -> None:
    quiet, rates = Quiet(TICK_S), wave(1.4, 20.0)
    assert [quiet.update(rate) for rate in rates] == rates


def test_some_reversals_in_a_row_are_free_and_are_earned_back_by_rest() -> None:
    quiet = Quiet(TICK_S)
    burst = wave(25.0, AT_ONCE / 50.0)  # six halves of a wave; the first turns nothing round
    for _ in range(3):
        assert [quiet.update(rate) for rate in burst] == burst
        for _ in range(round(AT_ONCE / OFTEN_HZ / TICK_S)):
            assert quiet.update(0.0) == 0.0


def test_where_it_may_not_reverse_it_rests_and_may_go_on_as_before() -> None:
    quiet = Quiet(TICK_S)
    while quiet.spare >= 1.0:
        assert quiet.update(-FAST * (quiet.last or 1)) != 0.0
    way = quiet.last
    assert quiet.update(-FAST * way) == 0.0
    assert quiet.update(FAST * way) == FAST * way


def test_small_rates_go_on_start_or_reverse_from_their_own_thresholds() -> None:
    quiet = Quiet(TICK_S)
    assert quiet.update(FAST) == FAST
    assert quiet.update(STOP) == STOP  # goes on
    assert quiet.update(0.9 * STOP) == 0.0
    assert quiet.update(0.9 * START) == 0.0
    assert quiet.update(START) == START  # starts again as it flowed last
    assert quiet.update(-0.9 * REVERSE) == 0.0
    assert quiet.update(-REVERSE) == -REVERSE
    assert quiet.update(0.5 * REVERSE, turn=0.4 * REVERSE) == 0.5 * REVERSE


@given(st.lists(st.floats(-0.2, 0.2), max_size=400))
def test_it_gives_what_is_asked_or_nothing_and_never_turns_too_often(rates: list[float]) -> None:
    quiet = Quiet(TICK_S)
    given_ = [quiet.update(rate) for rate in rates]
    assert all(out in (0.0, rate) for out, rate in zip(given_, rates, strict=True))
    assert turns(given_) <= OFTEN_HZ * len(rates) * TICK_S + AT_ONCE
