"""The sign table (design page, ISO 8855), one test a row, by numbers worked out on paper.

Nothing here comes from the simulated rig: rig and estimator must not share a mistake.
"""

from __future__ import annotations

import math

import pytest
from closed_loop import rig_of
from hand_made import Bench, scene

from firmware_py import messages as ask
from firmware_py.act.valve import Characteristic
from firmware_py.controller import Controller
from firmware_py.fuse.blade import Blade
from firmware_py.fuse.moment import Attitude, Moment
from firmware_py.guide import cues
from firmware_py.messages import Side, Tick
from firmware_py.sense.ranging import element_positions, vertical_clearance
from firmware_py.settings import Rig

LEFT, RIGHT = Side.LEFT, Side.RIGHT
TWO_PCT = math.atan(0.02)


def _bench(rig: Rig | None = None, **at: float | None) -> Bench:
    return Bench(Controller(rig or rig_of(crossfall_pct=0.0)), scene(**at))


def _settled(**at: float | None) -> Bench:
    bench = _bench(**at)
    bench.run(2.0)
    return bench


def test_roll_and_crossfall_are_positive_with_the_left_end_up() -> None:
    """Left up: the left axis leans up, so at rest it reads +g sin(roll): 2 % is +0.19612 m/s2."""
    bench = _bench()
    bench.scene.roll = TWO_PCT
    tick = bench.run(2.0)
    assert tick.roll == pytest.approx(0.019997, abs=2e-5)
    assert tick.crossfall == pytest.approx(0.02, abs=2e-5)


def test_pitch_is_positive_nose_down() -> None:
    """Nose down: the forward axis leans down, so at rest it reads -g sin(pitch)."""
    bench = _bench()
    bench.scene.pitch = 0.03
    assert bench.run(2.0).pitch == pytest.approx(0.03, abs=1e-4)


def test_crossfall_of_a_blade_is_the_drop_from_left_to_right_end() -> None:
    """(z_left - z_right) / width: left end 36 mm higher over 1.8 m is +2 %."""
    blade = Blade(rig_of())
    blade.roll = math.asin(0.036 / 1.8)
    assert blade.crossfall() == pytest.approx(0.02, rel=1e-3)


def test_element_0_is_the_rightmost() -> None:
    assert element_positions(5, 0.075) == pytest.approx((-0.15, -0.075, 0.0, 0.075, 0.15))


def test_lateral_is_positive_with_the_reference_to_the_left_and_says_steer_left() -> None:
    bench = _bench(lateral=0.060)
    tick = bench.run(2.0)
    assert tick.bars[0].lateral_m == pytest.approx(0.060, abs=0.002)
    assert tick.steer_m == pytest.approx(0.060, abs=0.002)
    assert cues.steer_in_words(0.060) == "steer left 60 mm"
    assert cues.steer_in_words(-0.060) == "steer right 60 mm"


@pytest.mark.parametrize(("y", "mm"), [(-0.150, 602.88), (0.150, 596.88), (0.0, 599.88)])
def test_vertical_clearance_by_hand(y: float, mm: float) -> None:
    """c 600 mm, +2 % roll: 600 cos(roll) - y sin(roll), with cos 0.9998, sin 0.019996."""
    assert vertical_clearance(0.6, y, TWO_PCT, 0.0) * 1e3 == pytest.approx(mm, abs=0.005)


def test_vertical_clearance_shrinks_with_pitch() -> None:
    """c 600 mm at 10 degrees of pitch: 600 x 0.98481 = 590.88 mm."""
    assert vertical_clearance(0.6, 0.0, 0.0, math.radians(10)) * 1e3 == pytest.approx(
        590.88, abs=0.01
    )


@pytest.mark.parametrize(("y", "mm"), [(-0.100, 601.88), (0.100, 597.88)])
def test_the_tracker_levels_the_clearance_the_same_way(y: float, mm: float) -> None:
    """599.88 mm less y sin(roll): -100 mm adds 2.00 mm, +100 mm takes 2.00 mm off."""
    bench = _bench(lateral=y)
    bench.scene.roll = TWO_PCT
    bar = bench.run(3.0).bars[0]
    assert bar.clearance_m is not None
    assert bar.clearance_m * 1e3 == pytest.approx(mm, abs=0.25)


def _moved(mm: float) -> tuple[Bench, Tick]:
    """Datum at 600 mm on the level, then the bar (and so the blade) this much higher."""
    bench = _settled()
    assert bench.ask(ask.SetDatum, LEFT) == ""
    bench.scene.speed = 0.3  # a machine that stands is not believed to rise
    bench.scene.clearance[LEFT] = 0.6 + mm / 1e3
    return bench, bench.run(1.5)


@pytest.mark.parametrize("mm", [8.0, -8.0])
def test_height_error_is_positive_too_high_as_clearance_grows(mm: float) -> None:
    """Heights go up, clearances down from the bar: 8 mm more clearance is 8 mm too high."""
    _, tick = _moved(mm)
    assert tick.left.error_m == pytest.approx(mm / 1e3, abs=5e-4)
    assert tick.bars[0].clearance_m == pytest.approx(0.6 + mm / 1e3, abs=1e-3)


@pytest.mark.parametrize(("mm", "words"), [(8.0, "left: lower 8 mm"), (-8.0, "left: raise 8 mm")])
def test_the_cue_says_what_to_do_about_it(mm: float, words: str) -> None:
    _, tick = _moved(mm)
    assert cues.in_words(LEFT, tick.left.cue_m) == words


@pytest.mark.parametrize("mm", [8.0, -8.0])
def test_a_valve_above_0_raises_so_too_low_asks_for_more_than_0(mm: float) -> None:
    """The target 8 mm up leaves the end 8 mm too low: both valves open upwards, and so down."""
    bench = _settled()
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.Engage) == ""
    bench.scene.speed = 0.3
    bench.run(0.2)
    assert bench.ask(ask.Nudge, LEFT, mm / 1e3) == ""
    bench.run(0.03)
    assert bench.controller.command.left * mm > 0.0
    assert bench.controller.command.right * mm > 0.0


def test_the_valve_characteristic_keeps_the_sign() -> None:
    character = Characteristic(0.09, 0.12, 0.12, 0.9)
    assert character.rate(0.5) > 0.0 > character.rate(-0.5)
    assert character.command(0.02) > 0.0 > character.command(-0.02)


def test_an_offset_above_0_raises_the_target() -> None:
    bench = _settled()
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.Nudge, LEFT, 0.005) == ""
    tick = bench.step()
    assert tick.left.offset_m == 0.005
    assert tick.left.error_m == pytest.approx(-0.005, abs=5e-4)
    assert tick.left.cue_m == pytest.approx(0.005, abs=5e-4)


def test_a_greater_crossfall_target_wants_the_right_end_lower() -> None:
    """+0.5 % over 1.8 m: the right end, level with the left, is 9 mm too high."""
    bench = _settled()
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.NudgeCrossfall, 0.005) == ""
    assert bench.step().right.error_m == pytest.approx(0.009, abs=5e-4)


def test_crab_on_a_grade_is_taken_out_of_the_crossfall() -> None:
    """5 deg to the left on a grade that falls 5 % forward: the left end stands further up.

    0.05 sin(5 deg) = 0.436 % along the blade, 7.8 mm over 1.8 m, of a surface without crossfall.
    """
    blade = Blade(rig_of())
    blade.crab, blade.grade = math.radians(5.0), math.atan(0.05)
    blade.roll = math.atan(0.05 * math.sin(math.radians(5.0)))
    assert math.tan(blade.roll) * 1.8 == pytest.approx(0.0078, abs=5e-5)
    assert blade.crossfall() == pytest.approx(0.0, abs=2e-5)
    blade.crab = -blade.crab
    assert blade.crossfall() == pytest.approx(0.00872, abs=5e-5)


def test_heading_left_of_the_string_is_crab_above_0() -> None:
    """At 0.12 m/s, 5 deg left of the string, it runs off to the right at 10.5 mm/s."""
    bench = _bench(lateral=0.085)
    bench.run(2.0)
    bench.scene.speed = 0.12
    for k in range(1, 1601):
        bench.scene.lateral[LEFT] = 0.085 - 0.12 * math.tan(math.radians(5.0)) * 0.01 * k
        tick = bench.step()
    assert tick.crab == pytest.approx(math.radians(5.0) * (1.0 - math.exp(-2.0)), rel=0.15)


def test_in_a_left_bend_the_edge_ahead_points_to_the_right_of_its_way() -> None:
    """w = 0.05 rad/s at 0.5 m/s, edge 1.2 m ahead of the tracks: -0.05 x 1.2 / 0.5."""
    blade, tilt = Blade(rig_of()), Attitude(0.0, 0.0, 0.0, 0.0, 0.05, 1e-6)
    for k in range(500):
        blade.advance(0.01 * k, Moment(0.01, tilt, 0.5, NO_HANDS))
    assert blade.crab == pytest.approx(-0.12, rel=0.01)


NO_HANDS = {LEFT: False, RIGHT: False}
SIDES = [(LEFT, False), (LEFT, True), (RIGHT, False), (RIGHT, True)]


def _strip(side: Side, against: bool, steeper: float = 0.0) -> Bench:
    """A job that falls 2 % to the right up chainage, blade on it or steeper, datum set."""
    plain = rig_of(crossfall_pct=2.0, against_chainage=against).model_dump(mode="json")
    if side is RIGHT:
        bar = plain["bars"].pop("left") | {"device": "bar.right"}
        plain |= {"bars": {"right": bar}, "right": plain["left"], "left": plain["right"]}
        plain["control"]["master"] = "right"
    clearance = {"left": 0.6, "right": None} if side is LEFT else {"left": None, "right": 0.6}
    bench = _bench(Rig.model_validate(plain), **clearance)
    # against chainage the job's right is the driver's left: the driver sees it fall to the left
    bench.scene.roll = math.atan((-0.02 if against else 0.02) + steeper)
    bench.run(2.0)
    assert bench.ask(ask.SetDatum, side) == ""
    return bench


@pytest.mark.parametrize(("side", "against"), SIDES)
def test_blade_on_the_job_has_no_error_whichever_way_it_travels(side: Side, against: bool) -> None:
    tick = _strip(side, against).step()
    assert tick.crossfall_target == (-0.02 if against else 0.02)
    assert tick.end(side).error_m == pytest.approx(0.0, abs=1e-4)
    assert tick.end(side.other).error_m == pytest.approx(0.0, abs=3e-4)


@pytest.mark.parametrize(("side", "against"), SIDES)
def test_blade_that_ran_to_the_right_of_its_line(side: Side, against: bool) -> None:
    """100 mm further right the surface lies 2 mm lower (it falls to the driver's right), or higher.

    The clearance square to the bar keeps the blade as high over the reference as it was.
    """
    bench = _strip(side, against)
    roll = bench.scene.roll
    bench.scene.speed = 0.3
    for k in range(1, 101):  # as fast as a machine can slide, not at once
        y = 0.001 * k
        bench.scene.lateral[side] = y
        bench.scene.clearance[side] = 0.6 + y * math.tan(roll)
        bench.run(0.02)
    tick = bench.run(0.5)
    expected = -0.002 if against else 0.002
    assert tick.end(side).error_m == pytest.approx(expected, abs=6e-4)
    assert tick.end(side.other).error_m == pytest.approx(expected, abs=8e-4)


@pytest.mark.parametrize(("side", "against"), SIDES)
def test_blade_tilted_too_much_about_its_guided_end(side: Side, against: bool) -> None:
    """0.5 % more left-up than asked, the guided end on target: 9 mm at the other, low or high."""
    tick = _strip(side, against, steeper=0.005).step()
    assert tick.end(side).error_m == pytest.approx(0.0, abs=1e-4)
    assert tick.end(side.other).error_m == pytest.approx(-side.sign * 0.009, abs=3e-4)
