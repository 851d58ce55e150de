"""The fair plain loop: each of its promises, and that it grades."""

from __future__ import annotations

import math

import pytest

from drivers.samples import Echo, InertialSample, RangePing, Validity
from firmware_py.act.rate import simc_gain
from firmware_py.messages import Engage, Side
from firmware_py.settings import Gate
from firmware_py.settings_file import parse
from firmware_py.trial.plain import FILTER_S, PlainLoop
from firmware_py.trial.plain_bar import PlainBar
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import Scenario
from firmware_py.trial.setup import TrialError, rig_for, rig_named

TEXT = """\
name = "short"
words = "A short test."
distance_m = 15
path = [{length_m = 22}]
[left]
kind = "string"
"""
TRIAL = parse(TEXT, "t", Scenario)
RIG = rig_for(TRIAL, rig_named("reference"))
SOUND = 340.0
GATE = Gate()


def ping(element: int, time_s: float, *ranges_m: float) -> RangePing:
    echoes = tuple(Echo(time_s + r / SOUND, 2.0 * r / SOUND) for r in ranges_m)
    return RangePing("bar.left", time_s, Validity.OK, element, echoes)


def feed(bar: PlainBar, start_s: float, frames: list[list[float]], *, led: bool = False) -> float:
    now = start_s
    for frame in frames:
        for element, r in enumerate(frame):
            now += 0.008
            seen = (r,) if math.isfinite(r) else ()
            bar.take(now, ping(element, now, *seen), SOUND, GATE, led=led, offset=0.0)
    return now


def test_the_nearest_element_of_the_last_frame_is_the_clearance() -> None:
    bar = PlainBar(Side.LEFT, RIG.bars[Side.LEFT])
    now = feed(bar, 0.0, [[0.62, 0.61, 0.605, 0.60, 0.61]])
    assert bar.clearance == pytest.approx(0.60)
    assert bar.place == pytest.approx(0.075)  # element 3 of 5, one left of the middle
    assert bar.seen(now)
    assert not bar.seen(now + 1.0)


def test_what_lies_outside_the_gate_round_the_target_is_not_taken() -> None:
    bar = PlainBar(Side.LEFT, RIG.bars[Side.LEFT])
    now = feed(bar, 0.0, [[0.60] * 5] * 20)
    assert bar.set_datum(0.0)
    feed(bar, now, [[0.55, 0.60, 0.60, 0.67, 0.60]], led=True)  # a pin's top, the ground
    assert bar.clearance == pytest.approx(0.60)
    assert bar.error(now + 0.04, 0.0) == pytest.approx(0.0)


def test_an_end_beside_its_bar_takes_part_of_the_crossfalls_error() -> None:
    """Bar 300 mm outside, 1 % too steep, left end high: the end is 3 mm lower than the bar."""
    bar = PlainBar(Side.LEFT, RIG.bars[Side.LEFT])
    now = feed(bar, 0.0, [[0.61, 0.61, 0.60, 0.61, 0.61]] * 20)
    assert bar.set_datum(0.0)
    assert bar.error(now, 0.01) == pytest.approx(-0.003)


def test_no_datum_without_half_a_second_of_the_reference() -> None:
    bar = PlainBar(Side.LEFT, RIG.bars[Side.LEFT])
    feed(bar, 0.0, [[0.60] * 5] * 3)
    assert not bar.set_datum(0.0)


def test_gains_are_simc_on_the_stated_delay() -> None:
    loop = PlainLoop(RIG)
    bar_theta = 0.080 + 0.025 + 0.020
    assert loop.ends[Side.LEFT].pid.pid.Kp == pytest.approx(simc_gain(bar_theta))
    assert loop.ends[Side.RIGHT].pid.pid.Kp == pytest.approx(simc_gain(bar_theta + FILTER_S))


def test_roll_is_gravitys_through_the_low_pass() -> None:
    loop = PlainLoop(RIG)
    level, tilted = (0.0, 9.81), (0.0981, 9.81)
    now = 0.0
    for k in range(61):
        now = k * 0.005
        ay, az = tilted if k else level
        sample = InertialSample("inertial", now, Validity.OK, 0, ay, az, 0, 0, 0, None)
        loop.step(now, [sample])
    assert loop.roll == pytest.approx(0.01 * (1.0 - math.exp(-1.0)), rel=0.02)


def test_it_is_neutral_until_engaged_and_refuses_without_a_datum() -> None:
    loop = PlainLoop(RIG)
    tick = loop.step(0.0, [], [Engage(1)])
    assert not tick.answers[0].done
    assert (loop.command.left, loop.command.right) == (0.0, 0.0)


def test_it_grades_and_steers() -> None:
    found = run_trial(TRIAL, seed=1, controller="plain").summary
    assert found["controller"] == "plain"
    assert found["outcome"] == "graded"
    assert 1.0 < found["ends"]["left"]["height_rms_mm"] < 20.0
    assert found["steering_rms_mm"] < 60.0


def test_it_keeps_no_journal(tmp_path: object) -> None:
    with pytest.raises(TrialError, match="no journal"):
        run_trial(TRIAL, controller="plain", journal=tmp_path / "t.mcap")  # type: ignore[operator]
