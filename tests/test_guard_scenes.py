"""The guard in scenes that one device's fault does not make: hands, standing, holding, coasting."""

from __future__ import annotations

import pytest
from closed_loop import LEFT, RIGHT, Closed, Moment, close, error, rig_of, shut, valve

from drivers.samples import AnySample, Echo, RangePing, Validity
from firmware_py import messages as ask
from firmware_py.guard.table import BY_NAME
from firmware_py.guard.watch import AnswerWatch
from firmware_py.guide.targets import EndError
from firmware_py.messages import EndState, Guide, Mode, Side

LED = (EndState.LED, EndState.COAST)


def _auto(**how: object) -> Closed:
    return close(**how).start(drive_s=0.5)  # type: ignore[arg-type]


def _states(moments: list[Moment], side: Side) -> set[EndState]:
    return {m.tick.end(side).state for m in moments}


def _blind(c: Closed, from_s: float = 0.0) -> None:
    """From then on the bar fires and hears nothing (a cloth over it, not a cut cable)."""
    start = c.t + from_s

    def wire(t: float, samples: list[AnySample]) -> list[AnySample]:
        gone = t > start
        return [
            RangePing(s.device, s.time_s, s.validity, s.element, ())
            if gone and isinstance(s, RangePing) else s
            for s in samples
        ]  # fmt: skip

    c.wire = wire


def test_enable_released_is_neutral_with_the_tick_that_hears_of_it() -> None:
    """Inputs come 50 times a second: within 20 ms of letting go, and in that very tick."""
    c = _auto()
    assert c.last.tick.mode is Mode.AUTO
    c.sim.person.enable(False)
    told = c.until(lambda m: not c.controller.senses.enable, 0.1)
    assert told <= 0.03
    assert shut(c.last)


def test_a_number_that_is_none_is_neutral_until_asked() -> None:
    """A state that went wrong inside, by whatever bug: the error computed from it is no number."""
    c = _auto()
    c.controller.targets.ends[LEFT].offset = float("nan")
    moment = c.step()
    assert shut(moment)
    assert moment.tick.why == BY_NAME["not a number"].words
    c.controller.targets.ends[LEFT].offset = 0.0
    assert all(shut(m) for m in c.run(1.0))
    assert c.ask(ask.Engage).done


@pytest.mark.parametrize("side", [LEFT, RIGHT])
def test_a_hand_on_one_lever_takes_that_end_over_and_leaves_the_other(side: Side) -> None:
    c = _auto()
    c.sim.person.hand(side, 0.0)
    taken = c.run(1.5)[4:]
    assert _states(taken, side) == {EndState.OVERRIDE}
    led = [m.tick.end(side.other).state in LED for m in taken]
    assert sum(led) > 0.9 * len(led)  # a hand makes the rest unsure: it may be held for moments
    assert all(valve(m, side) == 0.0 for m in taken)
    assert {m.tick.why for m in taken} == {"The driver's hand leads."}
    assert taken[-1].tick.end(side).why == "hand on the lever"
    c.sim.person.hand(side, None)
    c.run(0.3)
    assert c.last.tick.end(side).state in LED


def test_both_hands_take_both_ends() -> None:
    c = _auto()
    c.sim.person.hand("left", 0.0)
    c.sim.person.hand("right", 0.0)
    taken = c.run(0.3)[4:]
    assert all((m.command.left, m.command.right) == (0.0, 0.0) for m in taken)


def test_standing_holds_after_1_s_and_going_on_leads_again() -> None:
    c = _auto()
    c.sim.person.drive(0.0)
    c.until(lambda m: abs(m.truth.speed_mps) < 0.04, 2.0)
    held = c.until(lambda m: m.tick.left.state is EndState.HOLD, 2.0)
    assert held == pytest.approx(1.0, abs=0.15)
    still = c.run(1.5)
    assert _states(still, LEFT) == _states(still, RIGHT) == {EndState.HOLD}
    assert all((m.command.left, m.command.right) == (0.0, 0.0) for m in still)
    assert still[-1].tick.why == "Standing: both ends held."
    assert still[-1].tick.left.why == "standing"
    c.sim.person.drive(0.5)
    c.run(1.0)
    assert c.last.tick.mode is Mode.AUTO
    assert c.last.tick.left.state in LED


def test_coasting_lasts_300_ms_then_that_end_is_held() -> None:
    """At 0.5 m/s the 0.3 s come before the 0.2 m; the sd stays under 3 mm."""
    c = _auto()
    _blind(c)
    last_seen = c.t
    seen = c.run(0.6)
    coast = [m for m in seen if m.tick.left.state is EndState.COAST]
    held = [m for m in seen if m.tick.left.state is EndState.HOLD]
    assert coast
    assert all(m.tick.bars[0].unseen_s <= 0.3 for m in coast)
    assert all(m.tick.left.error_sd_m is None or m.tick.left.error_sd_m < 0.003 for m in coast)
    assert 0.2 < held[0].t - last_seen <= 0.34
    assert all(m.command.left == 0.0 for m in held)
    assert held[0].tick.left.why == "no reference"
    assert held[0].tick.why == BY_NAME["reference lost"].words


def test_coasting_ends_after_200_mm_on_a_fast_machine() -> None:
    c = close(segments=((60.0, 0.0),)).start(1.4, drive_s=3.5)
    _blind(c)
    way = c.last.truth.travelled_m
    c.until(lambda m: m.tick.left.state is EndState.HOLD, 0.5)
    gone = c.last.truth.travelled_m - way
    assert gone < 0.2 + 0.04  # the last echoes were on their way already
    assert c.last.tick.bars[0].unseen_s < 0.2


def test_coasting_ends_when_the_prediction_is_unsure_by_3_mm() -> None:
    c = _auto()
    c.controller.blade.roll_variance = 1e-6
    _blind(c)
    c.run(0.12)
    assert c.last.tick.left.state is EndState.COAST
    track = c.controller.blade.tracks[LEFT]
    track.filter.cov[0] = 9.2e-6  # (3.03 mm)^2
    assert c.step().tick.left.state is EndState.HOLD


def test_one_end_held_the_other_led_only_while_the_crossfall_is_within_half_a_percent() -> None:
    """The right end goes by crossfall alone; then the tilt is taken off its target by 0.6 %."""
    c = _auto()
    _blind(c)
    c.run(0.45)
    assert c.last.tick.left.state is EndState.HOLD
    assert c.last.tick.right.state in LED
    c.controller.targets.crossfall += 0.0045
    near = c.run(0.05)
    assert all(m.tick.mode is Mode.AUTO for m in near)
    c.controller.targets.crossfall += 0.0020
    moment = c.step()
    assert shut(moment)
    assert moment.tick.why == BY_NAME["crossfall off"].words
    c.controller.targets.crossfall -= 0.0020
    assert c.step().tick.mode is Mode.AUTO  # by itself, at once


def test_an_end_held_as_asked_is_under_the_same_limit() -> None:
    """Hold by the design page: the other end led only while the crossfall stays within 0.5 %."""
    c = _auto()
    assert c.ask(ask.HoldEnd, RIGHT, True).done
    held = c.run(0.2)
    assert _states(held, RIGHT) == {EndState.HOLD}
    assert held[-1].tick.right.why == "held as asked"
    assert _states(held, LEFT) <= set(LED)
    assert c.ask(ask.Nudge, LEFT, 0.015).done
    c.until(shut, 1.5)
    assert c.last.tick.why == BY_NAME["crossfall off"].words
    assert c.last.tick.crossfall is not None
    assert 0.005 < c.last.tick.crossfall - 0.02 < 0.006  # then the oil's dead time runs out
    assert all(shut(m) for m in c.run(0.5))


def test_an_end_on_guide_hold_is_not_said_to_lack_a_reference() -> None:
    c = _auto()
    assert c.ask(ask.SetGuide, RIGHT, Guide.HOLD).done
    assert c.run(0.1)[-1].tick.right.why == "held as asked"


def test_reversing_is_neutral_and_going_forward_engages_anew_at_rate_0() -> None:
    c = _auto()
    c.sim.person.drive(-0.3)
    c.until(lambda m: m.truth.speed_mps < -0.06, 2.0)
    back = c.run(1.0)[10:]
    assert all(shut(m) for m in back)
    assert back[-1].tick.why == BY_NAME["reversing"].words
    c.sim.person.drive(0.5)
    c.until(lambda m: m.tick.mode is Mode.AUTO, 2.0)
    assert abs(c.last.tick.left.rate_mps) < 0.01
    assert c.run(2.0)[-1].tick.left.state in LED


@pytest.mark.parametrize(("still_off", "mode"), [(False, Mode.AUTO), (True, Mode.NEUTRAL)])
def test_ends_that_the_ground_carried_off_in_reverse_count_when_going_forward(
    still_off: bool, mode: Mode
) -> None:
    """2 m back over rough ground with both valves shut took an end 60 mm off, and back again."""
    c = _auto()
    c.sim.person.drive(-0.3)
    c.until(lambda m: m.truth.speed_mps < -0.2, 2.0)
    target = c.controller.targets.ends[LEFT]
    target.offset = 0.070
    assert {m.tick.why for m in c.run(0.5)} == {BY_NAME["reversing"].words}
    target.offset = 0.070 if still_off else 0.0
    c.sim.person.drive(0.5)
    c.run(1.5)
    assert c.last.tick.mode is mode
    assert c.last.tick.why.startswith("After reversing, left: 7") is still_off
    if still_off:  # and once it is near, automatic comes back by itself
        target.offset = 0.0
        c.until(lambda m: m.tick.mode is Mode.AUTO, 2.0)


def _two_forms() -> Closed:
    c = close(rig_of("two-bars")).start(drive_s=0.3)
    assert c.last.tick.mode is Mode.AUTO
    return c


def test_two_forms_each_end_takes_its_height_from_its_own_bar() -> None:
    """The right end's target 6 mm up: the right end goes there, the left stays."""
    c = _two_forms()
    assert c.ask(ask.Nudge, RIGHT, 0.006).done
    c.run(2.0)
    assert error(c.last, RIGHT) == pytest.approx(0.006, abs=0.002)
    assert error(c.last, LEFT) == pytest.approx(0.0, abs=0.002)


def test_steering_follows_the_master_bar() -> None:
    """The cue is the named bar's lateral, whichever that is."""
    for master in (LEFT, RIGHT):
        c = close(rig_of("two-bars", master=master.value)).start(0.0, drive_s=0.2)
        bars = {bar.end: bar.lateral_m for bar in c.last.tick.bars}
        assert c.last.tick.steer_m == bars[master]


def test_the_far_bar_near_the_rim_of_its_view_is_told_then_that_end_is_held() -> None:
    """The right form runs away from the right bar: a cue 20 mm before its rim, then the hold."""
    c = _two_forms()
    track = c.controller.blade.tracks[RIGHT]
    shifted = {"m": 0.0}

    def wire(_: float, samples: list[AnySample]) -> list[AnySample]:
        return [_seen_further(s, shifted["m"]) for s in samples]

    c.wire = wire
    told = held = None
    for _ in range(900):
        shifted["m"] += 0.0004  # 40 mm/s
        m = c.step()
        if told is None and "far bar off" in m.tick.faults:
            told = abs(track.filter.y)
            assert m.tick.mode is Mode.AUTO
        if m.tick.right.state is EndState.HOLD:
            held = m
            break
    assert told is not None
    assert held is not None
    assert held.tick.left.state in LED
    assert held.command.right == 0.0


def _seen_further(sample: AnySample, shift: float) -> AnySample:
    """The right bar's echoes as if its form lay this much further out (to the right)."""
    if not isinstance(sample, RangePing) or sample.device != "bar.right":
        return sample
    return _form(sample, shift)


def _form(ping: RangePing, shift: float) -> RangePing:
    """First arrival of a flat top 45 mm wide at c 600 mm, beam 12 deg, by hand."""
    at = (ping.element - 2) * 0.075
    off = max(abs(at + shift) - 0.0225, 0.0)
    if off > 0.6 * 0.2126:
        return RangePing(ping.device, ping.time_s, Validity.NOTHING, ping.element, ())
    wobble = 0.0004 * ((ping.time_s * 997.0) % 1.0 - 0.5)
    flight = 2.0 * ((0.36 + off * off) ** 0.5 + wobble) / 341.5
    return RangePing(ping.device, ping.time_s, Validity.OK, ping.element,
                     (Echo(ping.time_s + flight / 2, flight),))  # fmt: skip


def test_an_end_held_to_the_crossfall_is_watched_against_the_other_end() -> None:
    """Both ends sink alike: the crossfall's error stays as it is, and no valve is to blame."""
    c = close().start(drive_s=0.5)
    finder, blade = c.controller.finder, c.controller.blade
    blade.lift_rates = {LEFT: -0.02, RIGHT: -0.02}
    leaning = {LEFT: None, RIGHT: EndError(0.022, 1e-6, relative=True)}
    assert not any(finder._late(0.01, blade, leaning) for _ in range(400))
    blade.lift_rates = {LEFT: 0.0, RIGHT: -0.02}
    assert any(finder._late(0.01, blade, leaning) for _ in range(400))


def test_a_change_of_what_an_error_is_against_begins_the_watch_anew() -> None:
    watch = AnswerWatch()
    told = [watch.update(0.01, -0.02, 0.022, relative=k % 100 == 0) for k in range(1000)]
    assert not any(told)
    assert any(watch.update(0.01, -0.02, 0.022) for _ in range(200))
