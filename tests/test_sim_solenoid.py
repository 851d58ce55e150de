"""On/off valves of the simulated rig, by hand: 35 ms to pull in, 20 ms to let go."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.simulated.hydraulics import Hydraulics
from drivers.simulated.machine import STEP_S
from drivers.simulated.reference import REFERENCE, RigTruth
from drivers.simulated.solenoid import ON_FROM, OnOffValve

PULL_IN, LET_GO = (0.035, 0.030), (0.020, 0.015)
RIG = replace(
    REFERENCE,
    valves=replace(REFERENCE.valves, on_off=True, pull_in_s=PULL_IN, let_go_s=LET_GO),
)
NO_HANDS = (None, None)


def _opened(commands: list[tuple[float, float]], until: float = 0.5) -> float:
    """Seconds open, signed."""
    valve, total = OnOffValve(PULL_IN, LET_GO), 0.0
    for k in range(round(until / STEP_S)):
        t, end = k * STEP_S, (k + 1) * STEP_S
        total += STEP_S * valve.opening(t, end, [c for c in commands if t <= c[0] < end])
    return total


@pytest.mark.parametrize(
    ("on_s", "sign", "open_s"),
    [(0.034, 1.0, 0.0), (0.036, 1.0, 0.021), (0.1, 1.0, 0.085), (0.029, -1.0, 0.0),
     (0.031, -1.0, -0.016)],
)  # fmt: skip
def test_a_pulse_opens_for_itself_less_pull_in_and_let_go(
    on_s: float, sign: float, open_s: float
) -> None:
    """36 ms on: open from 35 to 36 + 20 ms, 21 ms. Under the time to pull in nothing opens."""
    assert _opened([(0.003, sign), (0.003 + on_s, 0.0)]) == pytest.approx(open_s, abs=1e-9)


def test_on_again_before_it_has_let_go_stays_open() -> None:
    """On at 0, off at 100 for 10 ms, off at 200: open from 35 to 220 ms without a break."""
    assert _opened([(0.0, 1.0), (0.1, 0.0), (0.11, 1.0), (0.2, 0.0)]) == pytest.approx(0.185)


@pytest.mark.parametrize(("command", "moves"), [(ON_FROM - 0.01, False), (ON_FROM, True)])
def test_both_sides_of_the_command_that_switches(command: float, moves: bool) -> None:
    assert (_opened([(0.0, command)]) > 0.0) is moves


def _lifted(on_s: float, command: float, rig: RigTruth = RIG, *, lease: bool = False) -> float:
    """Lift of the left cylinder by one pulse; lease: it is never taken back."""
    oil = Hydraulics(rig, STEP_S)
    for k in range(150):
        t = k * STEP_S
        if t < on_s - 1e-9 or not lease:
            oil.write(t, command if t < on_s - 1e-9 else 0.0, 0.0)
        oil.step(t, NO_HANDS)
    return oil.lift[0]


def test_a_pulse_lifts_by_full_speed_times_the_time_open() -> None:
    """100 ms up: 85 ms at 90 mm/s; 100 ms down: 85 ms at 120 mm/s. The lag loses nothing."""
    assert _lifted(0.1, 1.0) == pytest.approx(0.085 * 0.090, rel=1e-3)
    assert _lifted(0.1, -1.0) == pytest.approx(-0.085 * 0.120, rel=1e-3)


def test_a_lease_that_runs_out_lets_go() -> None:
    """One command at 0: 200 ms of lease, so open from 35 to 220 ms."""
    assert _lifted(0.01, 1.0, lease=True) == pytest.approx(0.185 * 0.090, rel=1e-3)


def test_dead_time_is_the_lines_and_then_the_coils() -> None:
    oil = Hydraulics(RIG, STEP_S)
    for k in range(13):
        oil.write(k * STEP_S, 1.0, 0.0)
        oil.step(k * STEP_S, NO_HANDS)
        moved = oil.lift[0] > 0.0
        assert moved is (k * STEP_S >= 0.080 + 0.035 - STEP_S)  # within the step that holds it
