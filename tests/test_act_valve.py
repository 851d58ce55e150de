"""Valve characteristic and its inverse, on/off pulsing, and the 2 x 2 map of ends and cylinders."""

from __future__ import annotations

import pytest
from closed_loop import rig_of
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.act.cylinders import cylinders_from_ends, ends_from_cylinders
from firmware_py.act.valve import Characteristic, Pulser

UP, DOWN, OVERLAP = 0.090, 0.120, 0.12  # the reference rig's


def _character(compensate: float) -> Characteristic:
    return Characteristic(UP, DOWN, OVERLAP, compensate)


def test_the_rig_file_s_figures_are_taken_over() -> None:
    valves = rig_of().valves
    assert valves is not None
    assert Characteristic.of(valves) == _character(0.9)


@pytest.mark.parametrize(
    ("command", "rate"),
    [
        (0.12, 0.0),
        (-0.12, 0.0),
        (0.56, 0.045),
        (-0.56, -0.060),
        (1.0, 0.09),
        (-1.0, -0.12),
        (2.0, 0.09),
    ],
)
def test_rate_of_a_command_by_hand(command: float, rate: float) -> None:
    """Nothing to 12 %, full at 100 %: half way is 56 %."""
    assert _character(0.9).rate(command) == pytest.approx(rate)


@pytest.mark.parametrize(
    ("rate", "gain", "command"),
    [
        (0.0, 1.0, 0.0),
        (0.045, 1.0, 0.554),
        (-0.060, 1.0, -0.554),
        (0.045, 2.0, 0.331),
        (0.2, 1.0, 1.0),
    ],
)
def test_command_for_a_rate_by_hand(rate: float, gain: float, command: float) -> None:
    """0.9 x 12 % = 10.8 %, and half of the other 89.2 %; a valve twice as fast needs a quarter."""
    assert _character(0.9).command(rate, gain) == pytest.approx(command)


@given(st.floats(-DOWN, UP), st.floats(0.8, 1.0))
def test_round_trip_is_short_by_no_more_than_the_overlap_left(rate: float, share: float) -> None:
    """Never more than asked, which would hunt; short by at most (1 - share) x 12 % of 88 %."""
    character = _character(share)
    back = character.rate(character.command(rate))
    full = UP if rate > 0.0 else DOWN
    assert abs(back) <= abs(rate) + 1e-12
    assert abs(rate) - abs(back) <= full * (1.0 - share) * OVERLAP / (1.0 - OVERLAP) + 1e-12
    assert back * rate >= 0.0


@given(st.floats(-DOWN, UP))
def test_round_trip_is_exact_when_all_of_the_overlap_is_made_up_for(rate: float) -> None:
    character = _character(1.0)
    assert character.rate(character.command(rate)) == pytest.approx(rate, abs=1e-12)


def _pulses(commands: list[float]) -> list[int]:
    """Lengths of the runs of one sign."""
    lengths, last = [0], 0.0
    for value in commands:
        if value not in (last, 0.0):
            lengths.append(0)
        lengths[-1] += value != 0.0
        last = value
    return [n for n in lengths if n]


@pytest.mark.parametrize("share", [0.07, -0.3, 0.5, 0.95, -1.0, 1.0])
def test_pulses_give_the_asked_motion_on_average(share: float) -> None:
    pulser = Pulser(10)
    commands = [pulser.update(share) for _ in range(5000)]
    assert set(commands) <= {0.0, 1.0 if share > 0.0 else -1.0}
    assert sum(commands) == pytest.approx(5000 * share, abs=11)


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=300), st.integers(1, 20))
def test_no_pulse_is_shorter_than_the_valve_can_follow(shares: list[float], ticks: int) -> None:
    pulser = Pulser(ticks)
    commands = [pulser.update(share) for share in shares] + [
        pulser.update(0.0) for _ in range(ticks)
    ]
    assert all(n >= ticks for n in _pulses(commands))
    assert abs(pulser.owed) <= ticks + 1.0


def test_reset_forgets_a_pulse_under_way_and_what_is_owed() -> None:
    pulser = Pulser(10)
    while pulser.update(0.5) == 0.0:
        pass
    pulser.reset()
    assert [pulser.update(0.0) for _ in range(20)] == [0.0] * 20


@pytest.mark.parametrize(
    ("cylinders", "ends"),
    [((1.0, 1.0), (1.0, 1.0)), ((1.0, 0.0), (1.25, -0.25)), ((0.0, 1.0), (-0.25, 1.25)),
     ((1.0, -1.0), (1.5, -1.5))],
)  # fmt: skip
def test_cylinders_at_600_mm_under_ends_at_900_mm(
    cylinders: tuple[float, float], ends: tuple[float, float]
) -> None:
    """By hand: left up 1 tilts by 1/1.2, mean 0.5; ends 0.5 +- 0.9/1.2."""
    assert ends_from_cylinders(*cylinders, 900 / 600) == pytest.approx(ends)
    assert cylinders_from_ends(*ends, 900 / 600) == pytest.approx(cylinders)


def test_to_lift_one_end_alone_the_other_cylinder_helps() -> None:
    """Left end 1, right 0: tilt 1/1.8, mean 0.5; cylinders 0.5 +- 0.6/1.8."""
    assert cylinders_from_ends(1.0, 0.0, 1.5) == pytest.approx((5 / 6, 1 / 6))
