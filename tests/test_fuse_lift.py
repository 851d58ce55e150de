"""The valves' lag and dead time, the gain found, against integrations of their own.

The references are scipy's: a first-order lag by its state-space form, nothing of ours in it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lsim

from firmware_py.fuse.gain import LATER, RANGE, ValveGain
from firmware_py.fuse.lift import DEPTH, Lift

TICK, LAG, DEAD = 0.01, 0.05, 0.08
WIDTH = 1.8  # m
Array = NDArray[np.float64]


def _commands(n: int, seed: int = 3) -> Array:
    """Steps of 50 to 400 ms between -60 and 60 mm/s, as a valve sees them."""
    gen = np.random.default_rng(seed)
    lengths = gen.integers(5, 40, size=n)
    return np.repeat(gen.uniform(-0.06, 0.06, size=n), lengths)[:n]


def _oil(commands: Array, dead_s: float, fine: int = 10) -> tuple[Array, Array]:
    """Rate and motion at the end of each tick: lsim on a grid ten times finer, command held."""
    dt = TICK / fine
    shift = round(dead_s / dt)
    held = np.concatenate([np.zeros(shift), np.repeat(commands, fine)])[: commands.size * fine]
    t = np.arange(held.size + 1) * dt
    # states: rate, motion. Held input: each fine step takes the value at its beginning
    system = ([[-1 / LAG, 0.0], [1.0, 0.0]], [[1 / LAG], [0.0]], np.eye(2), np.zeros((2, 1)))
    _, out, _ = lsim(system, np.append(held, held[-1]), t, interp=False)
    return out[fine::fine, 0], out[fine::fine, 1]


def _pushed(commands: Array) -> Lift:
    lift = Lift(TICK, LAG)
    for value in commands:
        lift.push(float(value))
    return lift


@pytest.mark.parametrize("dead_s", [0.0, 0.08, 0.12])
def test_rate_and_motion_after_dead_time_and_lag(dead_s: float) -> None:
    commands = _commands(300)
    rates, motion = _oil(commands, dead_s)
    lift = Lift(TICK, LAG)
    for k, value in enumerate(commands):
        lift.push(float(value))
        assert lift.rate_after(dead_s) == pytest.approx(rates[k], abs=1e-9)
        assert lift.sum_after(dead_s) == pytest.approx(motion[k], abs=1e-9)


def test_between_ticks_the_dead_time_is_interpolated() -> None:
    """85 ms lies half way between 80 and 90: the lag's curve is flat enough for 0.2 mm/s."""
    commands = _commands(300)
    rates, _ = _oil(commands, 0.085)
    assert _pushed(commands).rate_after(0.085) == pytest.approx(rates[-1], abs=1e-3)


def test_under_way_is_what_still_comes_when_the_commands_end() -> None:
    """All that moves later, less the lag's own run-out: let the oil run on for a second."""
    commands = _commands(200)
    lift = _pushed(commands)
    _, motion = _oil(np.concatenate([commands, np.zeros(200)]), DEAD)
    now, end = motion[commands.size - 1], motion[-1]
    assert lift.under_way(DEAD) + lift.rate * LAG == pytest.approx(end - now, abs=1e-7)


def test_reset_has_nothing_under_way() -> None:
    lift = _pushed(_commands(200))
    assert lift.under_way(DEAD) != 0.0
    lift.reset()
    assert lift.under_way(DEAD) == lift.rate == lift.rate_after(DEAD) == 0.0


def test_a_dead_time_beyond_the_memory_is_the_oldest_it_has() -> None:
    lift = _pushed(np.full(3 * DEPTH, 0.01))
    assert math.isfinite(lift.under_way(10.0))
    assert lift.under_way(10.0) == pytest.approx(0.01 * TICK * (DEPTH - 2), rel=0.02)


def _learned(gain: float, later_s: float, seconds: float = 20.0, size: float = 1.0) -> ValveGain:
    """Two valves driven apart; the gyro sees gain x the oil, later, and its own noise."""
    n = round(seconds / TICK)
    left, right = size * _commands(n, 5), size * _commands(n, 6)
    seen = gain * (_oil(left, DEAD + later_s)[0] - _oil(right, DEAD + later_s)[0]) / WIDTH
    gen = np.random.default_rng(7)
    ground = np.cumsum(gen.standard_normal(n)) * 3e-4  # rad/s; smooth, like tracks on rough ground
    noise = 2e-3 * gen.standard_normal(n)
    found = ValveGain(TICK, DEAD, WIDTH)
    lifts = Lift(TICK, LAG), Lift(TICK, LAG)
    for k in range(n):
        found.learn(float(seen[k] + ground[k] + noise[k]), *lifts)
        lifts[0].push(float(left[k]))
        lifts[1].push(float(right[k]))
    return found


@pytest.mark.parametrize("gain", [0.8, 1.0, 2.0])
def test_the_gain_is_found(gain: float) -> None:
    found = _learned(gain, 0.0)
    assert found.gain == pytest.approx(gain, rel=0.1)
    assert found.dead_s == pytest.approx(DEAD, abs=0.021)
    assert not found.contradicted


def test_ends_that_move_alike_do_not_make_the_valves_look_slow() -> None:
    """Common motion nine times the rest, one valve's oil half a tick late: 0.90 uncorrected."""
    n = round(20.0 / TICK)
    common, own = 3.0 * _commands(n, 5), 0.35 * _commands(n, 6)
    left, right = common + own, common - own
    late = _oil(right, DEAD)[0]
    late[1:] = 0.5 * (late[1:] + late[:-1])
    seen = (_oil(left, DEAD)[0] - late) / WIDTH
    found = ValveGain(TICK, DEAD, WIDTH)
    lifts = Lift(TICK, LAG), Lift(TICK, LAG)
    for k in range(n):
        found.learn(float(seen[k]), *lifts)
        lifts[0].push(float(left[k]))
        lifts[1].push(float(right[k]))
    assert 0.95 < found.gain <= 1.1


def test_40_ms_more_dead_time_is_found() -> None:
    found = _learned(1.0, 0.04)
    assert found.dead_s == pytest.approx(DEAD + 0.04, abs=0.021)
    assert found.gain == pytest.approx(1.0, rel=0.15)


def test_without_commands_the_rig_files_word_stands() -> None:
    found = _learned(2.0, 0.04, size=0.0)
    assert (found.gain, found.dead_s) == (pytest.approx(1.0, abs=0.02), DEAD)
    assert not found.contradicted


def test_valves_that_do_not_answer_contradict_the_commands() -> None:
    assert _learned(0.0, 0.0, seconds=10.0).contradicted


@pytest.mark.parametrize("gain", [0.3, 4.0])
def test_the_gain_stays_in_its_range(gain: float) -> None:
    assert RANGE[0] <= _learned(gain, 0.0).gain <= RANGE[1]


def test_reset_is_the_rig_files_word_again() -> None:
    found = _learned(2.0, 0.04, seconds=8.0)
    found.reset()
    assert (found.gain, found.dead_s, found.contradicted) == (1.0, DEAD, False)
    assert DEAD in found.deads
    assert len(found.deads) == len(LATER)
