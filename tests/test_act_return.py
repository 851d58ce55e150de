"""Hands off, standing and dead band, through the whole loop: no lurch, no lost integral."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from closed_loop import LEFT, RIGHT, Closed, Moment, changed, close, error, rig_of

from firmware_py import messages as ask
from firmware_py.act.actuate import Actuate
from firmware_py.act.end import START, EndAction, Quiet
from firmware_py.messages import EndState, Side

APPROACH = 0.020  # m/s; default of limits.approach_mm_s


def _back(side: Side, lever: float) -> list[Moment]:
    """What follows half a second of lever and its release, 20 mm off, on flat ground."""
    c = close().start(drive_s=1.0)
    c.sim.person.hand(side, lever)
    c.run(0.5)
    c.sim.person.hand(side, 0.0)
    c.run(0.6)
    c.sim.person.hand(side, None)
    c.until(lambda m: m.tick.end(side).state is not EndState.OVERRIDE, 0.1)
    return c.run(3.0)


@pytest.mark.parametrize(("side", "lever"), [(LEFT, 0.5), (LEFT, -0.5), (RIGHT, 0.5)])
def test_a_released_end_returns_at_approach_speed(side: Side, lever: float) -> None:
    """On the truth: what it was asked for is that speed and the ground's foreseen rate."""
    back = _back(side, lever)
    heights = np.array([error(m, side) for m in back])
    rate = np.abs(np.convolve(np.diff(heights) / 0.01, np.ones(10) / 10, "valid")).max()
    assert abs(heights[0]) > 0.012
    assert rate <= 1.5 * APPROACH
    assert abs(heights[-1]) < 0.003


@pytest.mark.parametrize("lever", [0.5, -0.5])
def test_a_fall_end_does_not_lurch_when_the_other_is_released(lever: float) -> None:
    heights = np.array([error(m, RIGHT) for m in _back(LEFT, lever)])
    rate = np.abs(np.convolve(np.diff(heights) / 0.01, np.ones(10) / 10, "valid")).max()
    assert rate <= 2.0 * APPROACH  # following the left's approach, and closing its own share


def test_the_other_end_stays_led_while_a_hand_is_on_one_lever() -> None:
    states: Counter[EndState] = Counter()
    for seed in (1, 2, 6):
        c = close(seed=seed).start(drive_s=0.5)
        c.sim.person.hand(RIGHT, 0.0)
        states.update(m.tick.left.state for m in c.run(4.0)[4:])
    assert states[EndState.LED] > 1000
    assert states[EndState.HOLD] == 0


def test_a_pulse_ends_when_its_end_is_no_longer_led() -> None:
    rig = rig_of()
    assert rig.valves is not None
    valves = rig.valves.model_dump(mode="json") | {"pulsed": True, "pulse_ms": 400}
    c: Closed = close(changed(rig, valves=valves)).start(drive_s=0.5)
    c.ask(ask.Nudge, LEFT, 0.03)
    c.until(lambda m: m.command.left != 0.0, 2.0)
    c.ask(ask.HoldEnd, LEFT, True)
    assert c.last.tick.left.state is EndState.HOLD
    assert c.last.command.left == 0.0


def _wound(seconds: float = 2.0) -> tuple[float, Actuate]:
    """A loop whose integral holds something, after an error of 2 mm."""
    actuate, now = Actuate(rig_of()), 0.0
    for n in range(round(seconds / 0.01)):
        now = 0.01 * (n + 1)
        actuate.loops[LEFT].update(now, 0.01, EndAction(predicted=0.002))
    return now, actuate


def test_inside_the_dead_band_neither_p_nor_i_corrects() -> None:
    now, actuate = _wound()
    assert actuate.loops[LEFT].update(now + 0.01, 0.01, EndAction(predicted=0.0)) == 0.0


def test_standing_freezes_the_integral_and_rest_clears_it() -> None:
    now, actuate = _wound()
    loop = actuate.loops[LEFT]
    before = loop.pid.pid.components[1]
    loop.pause()
    loop.update(now + 5.0, 0.01, EndAction(predicted=0.0))
    assert loop.pid.pid.components[1] == before != 0.0
    loop.rest()
    loop.update(now + 6.0, 0.01, EndAction(predicted=0.0))
    assert loop.pid.pid.components[1] == 0.0


def test_a_small_motion_starts_or_reverses_no_oil_but_a_correction_may() -> None:
    assert Quiet(0.01).update(-0.020) == 0.0
    assert Quiet(0.01).update(-0.020, START) == -0.020
    valve = Quiet(0.01)
    assert valve.update(0.030) == 0.030
    assert valve.update(0.005) == 0.005  # it goes on
    assert valve.update(-0.005) == 0.0


def test_a_users_small_dead_band_is_kept() -> None:
    """Half a millimetre: an error of 1.2 mm is corrected though it asks for only 16 mm/s."""
    rig = rig_of()
    control = rig.control.model_dump(mode="json") | {"dead_band_mm": 0.5}
    actuate = Actuate(changed(rig, control=control))
    loop = actuate.loops[LEFT]
    rate = loop.update(0.01, 0.01, EndAction(predicted=0.0012))
    assert rate < 0.0
    assert actuate.quiets[LEFT].update(rate, loop.turn) == rate
