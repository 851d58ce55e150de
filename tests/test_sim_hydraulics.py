"""Valves and cylinders of the simulated rig, from steps; figures of the reference rig."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from drivers.simulated.hydraulics import Hydraulics, LiftMap, opening
from drivers.simulated.machine import STEP_S
from drivers.simulated.reference import REFERENCE, RigTruth

NO_HANDS = (None, None)


def _run(
    left: float, right: float, seconds: float, rig: RigTruth = REFERENCE
) -> tuple[Hydraulics, list[tuple[float, float]]]:
    """Hold a command, renewed every step; lifts after each step."""
    oil = Hydraulics(rig, STEP_S)
    out = []
    for k in range(round(seconds / STEP_S)):
        t = k * STEP_S
        oil.write(t, left, right)
        oil.step(t, NO_HANDS)
        out.append((oil.lift[0], oil.lift[1]))
    return oil, out


def _rate(lifts: list[tuple[float, float]]) -> float:
    return (lifts[-1][0] - lifts[-11][0]) / 0.1


@pytest.mark.parametrize(("command", "rate"), [(0.75, 0.090), (-0.75, -0.120)])
def test_full_speed_both_ends(command: float, rate: float) -> None:
    """0.75 of the opening each is what the pump feeds two valves: 0.75 of full speed."""
    wanted = 0.12 + 0.88 * command if command > 0 else -(0.12 + 0.88 * -command)
    _, lifts = _run(wanted, wanted, 1.0)
    assert _rate(lifts) == pytest.approx(0.75 * rate, rel=1e-3)


@pytest.mark.parametrize(("command", "rate"), [(1.0, 0.090), (-1.0, -0.120)])
def test_full_command_on_one_valve_is_full_speed(command: float, rate: float) -> None:
    _, lifts = _run(command, 0.0, 1.0)
    assert _rate(lifts) == pytest.approx(rate, rel=1e-3)


def test_ten_litres_a_minute_on_50_mm_bore() -> None:
    """checks.md (derived): 84.9 mm/s, the size of cylinder that the rig's 90 mm/s stands for."""
    rate = 10e-3 / 60.0 / (math.pi / 4.0 * 0.050**2)
    assert 1e3 * rate == pytest.approx(84.9, abs=0.05)
    assert rate == pytest.approx(REFERENCE.valves.up_mps, rel=0.1)


def test_shared_pump_takes_from_both() -> None:
    _, alone = _run(1.0, 0.0, 1.0)
    _, both = _run(1.0, 1.0, 1.0)
    assert _rate(both) / _rate(alone) == pytest.approx(0.75, rel=1e-3)


def test_dead_time_and_lag_from_a_step() -> None:
    """Nothing for 80 ms; then a first-order rate whose ramp runs a lag of 50 ms behind."""
    _, lifts = _run(1.0, 0.0, 1.0)
    assert lifts[7][0] == 0.0  # 80 ms after the command
    assert lifts[8][0] > 0.0
    ramp = lifts[-1][0] / 0.090
    assert 1.0 - ramp == pytest.approx(0.080 + 0.050, abs=0.001)


def test_twice_as_fast_and_later_by_one_field_each() -> None:
    rig = replace(REFERENCE, valve_speed_factor=2.0, extra_dead_time_s=0.040)
    _, lifts = _run(1.0, 0.0, 0.8, rig)
    assert _rate(lifts) == pytest.approx(0.180, rel=1e-3)
    assert lifts[11][0] == 0.0
    assert lifts[12][0] > 0.0


def test_overlap_passes_no_oil() -> None:
    assert opening(0.12, 0.12) == opening(-0.12, 0.12) == opening(math.nan, 0.12) == 0.0
    assert opening(0.56, 0.12) == pytest.approx(0.5)
    assert opening(-9.0, 0.12) == -1.0
    oil, _ = _run(0.119, -0.119, 1.0)
    assert oil.lift == [0.0, 0.0]
    assert oil.open == (0.0, 0.0)


def test_lease_shuts_the_valves() -> None:
    """200 ms without a write: shut, seen by the oil a dead time later."""
    oil = Hydraulics(REFERENCE, STEP_S)
    oil.write(0.0, 1.0, 0.0)
    flowing = []
    for k in range(60):
        oil.step(k * STEP_S, NO_HANDS)
        if oil.open[0]:
            flowing.append(k)
    assert (flowing[0], flowing[-1]) == (8, 27)


def test_stroke_ends() -> None:
    _, up = _run(1.0, 1.0, 5.0)
    _, down = _run(-1.0, -1.0, 5.0)
    assert up[-1][0] == 0.2
    assert down[-1][1] == -0.2


def test_the_hand_wins_on_its_own_end_only() -> None:
    oil = Hydraulics(REFERENCE, STEP_S)
    for k in range(50):
        oil.write(k * STEP_S, -1.0, -0.5)
        oil.step(k * STEP_S, (0.5, None))
    assert oil.lift[0] > 0.0 > oil.lift[1]
    for k in range(50, 60):
        oil.step(k * STEP_S, (0.0, None))
    assert oil.open[0] == 0.0


def test_lift_map_by_hand() -> None:
    """Ends at 1.5 x the cylinders: the left one up 10 mm is its end 12.5 up, the other 2.5 down."""
    m = LiftMap(1.8, 0.6)
    assert m.ends(0.010, 0.0) == pytest.approx((0.0125, -0.0025))
    assert m.ends(0.010, 0.010) == pytest.approx((0.010, 0.010))
    assert m.cylinders(*m.ends(0.031, -0.017)) == pytest.approx((0.031, -0.017))
