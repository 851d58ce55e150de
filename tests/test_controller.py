"""The controller closed round the simulated rig: cues, the hand's return, pulses, time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from closed_loop import (
    LEFT,
    RIGHT,
    STAND_S,
    START_S,
    Closed,
    Moment,
    changed,
    close,
    error,
    rig_of,
    shut,
)
from hand_made import Bench, scene
from numpy.typing import NDArray

from firmware_py import messages as ask
from firmware_py.act.limiter import MAX_STEP
from firmware_py.controller import Controller
from firmware_py.messages import SIDES, EndState, Mode, Side
from firmware_py.settings import MM
from firmware_py.settings_file import find_rig, load_rig

Floats = NDArray[np.float64]


def _errors(moments: list[Moment], side: Side) -> Floats:
    return np.array([error(m, side) for m in moments])


def _rates(moments: list[Moment], side: Side) -> Floats:
    """True rate of an end over 50 ms, m/s."""
    return np.convolve(np.diff(_errors(moments, side)) / 0.01, np.ones(5) / 5, "valid")


@pytest.fixture(scope="session")
def flat() -> list[Moment]:
    """Ten seconds of calm work on flat ground."""
    return close(segments=((60.0, 0.0),)).start().run(10.0)


def test_on_flat_ground_both_ends_stay_on_their_targets(flat: list[Moment]) -> None:
    """Within the dead band of 1.5 mm by and large; the right end is as good as the tilt."""
    assert np.sqrt(np.mean(_errors(flat, LEFT) ** 2)) < 0.0015
    assert np.sqrt(np.mean(_errors(flat, RIGHT) ** 2)) < 0.003


def test_no_command_steps_further_than_the_limiter_lets_it(flat: list[Moment]) -> None:
    for name in ("left", "right"):
        values = np.array([getattr(m.command, name) for m in flat])
        away = np.diff(np.abs(values))[values[1:] * values[:-1] >= 0.0]
        assert away.max() <= MAX_STEP + 1e-9


def test_inside_the_dead_band_on_flat_ground_the_oil_mostly_rests(flat: list[Moment]) -> None:
    flowing = [m.truth.left_oil != 0 for m in flat]
    assert sum(flowing) < 0.35 * len(flowing)


def test_the_asked_rate_never_passes_the_cap() -> None:
    """Also with a 50 mm nudge, and the answer says that it is capped."""
    c = close().start(drive_s=0.5)
    assert c.ask(ask.Nudge, LEFT, 0.03).done
    moments = c.run(1.0)
    cap = c.controller.rig.limits.cap_mm_s * MM
    assert max(abs(m.tick.left.rate_mps) for m in moments) == pytest.approx(cap)
    assert any(m.tick.left.capped for m in moments)


def test_a_nudge_of_20_mm_lands_without_overshoot() -> None:
    """With an integral that winds up at the cap it went 2.2 mm past and swung for seconds."""
    c = close().start(drive_s=0.5)
    assert c.ask(ask.Nudge, LEFT, 0.02).done
    left = _errors(c.run(3.0), LEFT) - 0.02
    assert left.max() < 0.002
    assert np.abs(left[150:]).max() < 0.003


@pytest.mark.parametrize(("side", "lever"), [(LEFT, 0.5), (LEFT, -0.5), (RIGHT, 0.5)])
def test_letting_go_returns_to_the_target_and_not_past_it(side: Side, lever: float) -> None:
    """Some 20 mm off by hand: closed within 4 s, at most 3 mm past, never faster than the cap."""
    c = close().start(drive_s=1.0)
    c.sim.person.hand(side, lever)
    c.run(0.5)
    c.sim.person.hand(side, 0.0)
    c.run(0.6)
    off = error(c.last, side)
    assert abs(off) > 0.015
    c.sim.person.hand(side, None)
    c.until(lambda m: m.tick.end(side).state is not EndState.OVERRIDE, 0.1)
    back = c.run(4.0)
    cap = c.controller.rig.limits.cap_mm_s * MM
    assert (_errors(back, side) * math.copysign(1.0, off)).min() > -0.003
    for end in SIDES:
        assert np.abs(_errors(back, end)[-100:]).max() < 0.004
        assert np.abs(_rates(back, end)).max() <= 1.25 * cap


def test_standing_nothing_is_integrated() -> None:
    """4 s with an error of 1.2 mm, inside the band or not: the first rate afterwards is no leap."""
    c = close().start(drive_s=1.5)
    c.sim.person.drive(0.0)
    c.until(lambda m: m.tick.left.state is EndState.HOLD, 4.0)
    before = {side: c.controller.actuate.loops[side].pid.pid.components[1] for side in SIDES}
    c.run(4.0)
    for side in SIDES:
        after = c.controller.actuate.loops[side].pid.pid.components[1]
        assert abs(after) <= abs(before[side])
    c.sim.person.drive(0.5)
    c.until(lambda m: m.tick.left.state is not EndState.HOLD, 2.0)
    first = c.last.tick
    assert abs(first.left.rate_mps + first.left.disturbance_mps) < 0.025


def _cue_only() -> Closed:
    c = close(rig_of("cue-only"))
    c.sim.person.enable(True)
    c.run(STAND_S)
    assert c.ask(ask.SetDatum, LEFT).done
    c.sim.person.drive(0.3)
    c.run(0.5)
    return c


def test_a_rig_without_valves_gives_cues_only_and_they_are_right() -> None:
    """The driver lifts the left end by hand; each cue says where it truly is, within 4 mm."""
    c = _cue_only()
    c.sim.person.hand("left", 0.5)
    c.run(0.4)
    c.sim.person.hand("left", None)
    moments = c.run(2.0)
    assert {m.tick.mode for m in moments} == {Mode.CUE_ONLY}
    assert {m.tick.left.state for m in moments} == {EndState.CUE}
    assert {(m.command.left, m.command.right) for m in moments} == {(0.0, 0.0)}
    last = moments[-1]
    assert error(last, LEFT) > 0.01
    for side in SIDES:
        cue = last.tick.end(side).cue_m
        assert cue is not None
        assert cue == pytest.approx(-error(last, side), abs=0.004)
    assert last.tick.steer_m == pytest.approx(last.truth.left_bar.lateral_m, abs=0.006)  # type: ignore[union-attr]


def test_cue_only_says_when_it_knows_nothing() -> None:
    c = _cue_only()
    c.sim.inject("unplug", "bar.left", c.t, c.t + 1.0)
    c.run(0.9)
    assert c.last.tick.why == "No signal from the range bar. Check its cable."
    assert c.last.tick.left.cue_m is None
    assert c.last.tick.steer_m is None


def test_on_off_valves_hold_the_ends_within_a_few_mm() -> None:
    """Pulses of 40 ms at 90 and 120 mm/s: one moves an end by 4 to 5 mm, no less."""
    rig = rig_of()
    assert rig.valves is not None
    valves = rig.valves.model_dump(mode="json") | {"pulsed": True, "pulse_ms": 40}
    control = rig.control.model_dump(mode="json") | {"dead_band_mm": 3.0}
    c = close(changed(rig, valves=valves, control=control)).start(drive_s=1.0)
    assert c.ask(ask.Nudge, LEFT, 0.02).done
    c.run(1.5)
    moments = c.run(6.0)
    for side in SIDES:
        assert np.abs(_errors(moments, side) - 0.02).max() < 0.008
        assert np.sqrt(np.mean((_errors(moments, side) - 0.02) ** 2)) < 0.004


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_clock_that_is_no_number_is_neutral_and_leaves_no_trace(bad: float) -> None:
    c = close().start(drive_s=0.5)
    tick = c.controller.step(bad, ())
    assert tick.mode is Mode.NEUTRAL
    assert (c.controller.command.left, c.controller.command.right) == (0.0, 0.0)
    assert all(shut(m) for m in c.run(0.3))
    assert c.ask(ask.Engage).done
    assert c.run(0.1)[-1].tick.mode is Mode.AUTO


@pytest.mark.parametrize("jump", [1e6, -300.0])
def test_one_wrong_reading_of_the_clock_costs_no_more_than_engaging_again(jump: float) -> None:
    c = close().start(drive_s=0.5)
    tick = c.controller.step(START_S + c.t + jump, ())
    assert "clock jumped" in tick.faults
    assert tick.mode is Mode.NEUTRAL
    assert all(shut(m) for m in c.run(1.5))
    assert "clock jumped" not in c.last.tick.faults
    assert c.ask(ask.Engage).done
    assert c.run(0.1)[-1].tick.mode is Mode.AUTO


def test_after_a_clock_that_stays_earlier_automatic_is_had_again() -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    bench.run(3.0)
    bench.t -= 100.0
    bench.fired -= 12500  # firings, 8 ms apart
    bench.pings.clear()
    bench.run(3.0)
    assert bench.ask(ask.SetDatum, Side.LEFT) == ""
    assert bench.ask(ask.Engage) == ""


def test_an_end_without_a_datum_is_told_so_and_not_that_its_reference_is_lost() -> None:
    c = close()
    c.sim.person.enable(True)
    c.run(STAND_S)
    assert "no datum" in c.last.tick.faults
    assert "reference lost" not in c.last.tick.faults
    assert c.last.tick.why == "left: no datum. Set the datum first."
    assert "crossfall off" not in {f for m in c.log for f in m.tick.faults}


def test_datum_and_engage_may_come_in_one_tick() -> None:
    c = close()
    c.sim.person.enable(True)
    c.run(STAND_S)
    tick = c.step(ask.SetDatum(1, Side.LEFT), ask.Engage(2)).tick
    assert [(a.done, a.reason) for a in tick.answers] == [(True, ""), (True, "")]


def test_before_anything_is_heard_it_is_neutral_and_knows_nothing() -> None:
    c = close()
    tick = c.controller.step(0.0, ())
    assert tick.mode is Mode.NEUTRAL
    assert tick.crossfall is tick.roll is tick.steer_m is tick.left.error_m is None
