"""The simulated person: stable with his delay, holds without a cue, sees the bend."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.simulated.driver import Person
from drivers.simulated.reference import HumanTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World

BEND = ((8.0, 0.0), (20.0, 15.0), (8.0, 0.0), (15.0, -15.0), (5.0, 0.0))  # 56 m


def _person() -> Person:
    return Person(HumanTruth(speed_noise=0.0), np.random.default_rng(0), 1.2)


def _drive(
    world: World, speed: float, seconds: float, lateral_m: float = 0.0, seed: int = 1
) -> np.ndarray:
    """Rows of chainage, lateral, yaw, speed while the true lateral is shown."""
    rig = SimulatedRig(world, seed=seed)
    if lateral_m:
        rig._machine.stand(0.0, 3.0, -lateral_m)
    rig.read(0.0)
    rig.person.drive(speed)
    rows = []
    for k in range(1, round(seconds / 0.01)):
        now = 0.01 * k
        rig.read(now)
        truth = rig.truth()
        assert truth.left_bar is not None
        rig.person.cue(now, truth.left_bar.lateral_m)
        rows.append((truth.chainage_m, truth.left_bar.lateral_m, truth.yaw_rad, truth.speed_mps))
    return np.array(rows)


@pytest.fixture(scope="module")
def slow() -> np.ndarray:
    """Two minutes at 0.5 m/s from 100 mm beside the line."""
    return _drive(World(), 0.5, 120.0, lateral_m=0.1)


@pytest.mark.parametrize("speed", [0.5, 1.0])
def test_converges_from_100_mm_and_stays(speed: float, slow: np.ndarray) -> None:
    rows = slow if speed == 0.5 else _drive(World(), speed, 60.0 / speed, lateral_m=0.1)
    settled = rows[rows[:, 0] > 18.0]
    assert abs(rows[50, 1] - 0.1) < 0.01
    assert rows[:, 1].min() > -0.06  # overshoot
    assert np.abs(settled[:, 1]).max() < 0.035
    assert rows[-1, 3] == pytest.approx(speed, rel=0.08)


@pytest.mark.parametrize("direction", ["with", "against"])
@pytest.mark.parametrize("speed", [0.5, 1.0])
def test_follows_a_15_m_bend_with_the_crab_of_its_lever(speed: float, direction: str) -> None:
    """1.2 m ahead of the tracks at 15 m radius: atan(1.2 / 15) = 4.6 degrees of crab."""
    rows = _drive(World(segments=BEND, grade=0.08, direction=direction), speed, 47.0 / speed)
    assert np.sqrt(np.mean(rows[:, 1] ** 2)) < 0.015
    assert np.abs(rows[:, 1]).max() < 0.05
    assert math.degrees(np.abs(rows[:, 2]).max()) == pytest.approx(4.6, abs=1.0)


def test_acts_after_the_delay_and_to_the_left_for_a_reference_to_the_left() -> None:
    person = _person()
    person.drive(0.5)
    asked = []
    for k in range(300):
        person.cue(0.01 * k, 0.05 if k >= 100 else 0.0)
        asked.append(person.step(0.01 * k, 0.01, 0.0))
    late = next(k for k, rate in enumerate(asked) if rate > 0.0)
    assert late == pytest.approx(170, abs=1)
    assert asked[-1] == pytest.approx(0.25 * 0.05, rel=0.01)


def test_holds_the_last_steer_without_a_cue() -> None:
    person = _person()
    person.drive(0.5)
    for k in range(300):
        person.cue(0.01 * k, 0.05)
        last = person.step(0.01 * k, 0.01, 0.0)
    for k in range(300, 600):
        person.cue(0.01 * k, None)
        person.cue(0.01 * k, math.nan)
        held = person.step(0.01 * k, 0.01, 0.0)
    assert held == pytest.approx(last, rel=0.02)


def test_speeds_up_at_half_a_metre_per_second_squared_stops_and_reverses() -> None:
    person = _person()
    person.drive(1.0)
    for k in range(100):
        person.step(0.01 * k, 0.01, 0.0)
    assert person.speed == pytest.approx(0.5)
    person.drive(0.0)
    for k in range(101):
        person.step(1.0 + 0.01 * k, 0.01, 0.0)
    assert person.speed == 0.0
    person.drive(-0.3)
    for k in range(200):
        person.step(2.0 + 0.01 * k, 0.01, 0.0)
    assert person.speed == pytest.approx(-0.3)


def test_hands_are_named_by_end() -> None:
    person = _person()
    person.hand("left", 0.4)
    person.hand("right", -0.2)
    assert person.hands == (0.4, -0.2)
    person.hand("left", None)
    assert person.hands == (None, -0.2)
    with pytest.raises(ValueError, match="middle"):
        person.hand("middle", 0.0)


def test_speed_wanders_by_two_percent(slow: np.ndarray) -> None:
    speed = slow[500:, 3]
    assert speed.std() / 0.5 == pytest.approx(0.02, abs=0.012)
