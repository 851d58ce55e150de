"""Check levels: a tape reading against what is believed. By hand, on hand-made samples.

A tape hangs from the string 0.6 m under the bar. The bar stands 0.75 m above the cutting edge, so
on the level the edge is 0.15 m below the string: the tape reads 150 mm on the target.
"""

from __future__ import annotations

import math

import pytest
from hand_made import Bench, scene

from firmware_py import messages as ask
from firmware_py import snapshot
from firmware_py.controller import Controller
from firmware_py.guard.levels import Levels
from firmware_py.guard.table import BY_NAME
from firmware_py.messages import Check, Guide, Mode, Side
from firmware_py.settings import CheckLevels
from firmware_py.settings_file import find_rig, load_rig

LEFT, RIGHT = Side.LEFT, Side.RIGHT


def _bench() -> Bench:
    """Standing, with a datum and in automatic."""
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    bench.run(3.0)
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.Engage) == ""
    bench.run(0.2)
    return bench


def _check(bench: Bench, *values: object) -> Check:
    bench.number += 1
    tick = bench.step(ask.CheckLevel(bench.number, *values))  # type: ignore[arg-type]
    assert tick.answers[0].done, tick.answers[0].reason
    assert tick.check is not None
    return tick.check


def test_a_tape_that_agrees_finds_nothing_wrong() -> None:
    check = _check(_bench(), LEFT, 0.150, None)
    assert check.expected_m == pytest.approx(0.150, abs=5e-4)
    assert check.wrong_m == pytest.approx(0.0, abs=5e-4)
    assert check.in_a_row == 0


def test_a_shorter_tape_means_a_higher_end_and_the_nudge_lowers_it() -> None:
    """146 mm where 150 mm was due: the end stands 4 mm high, so 4 mm are to be taken off."""
    check = _check(_bench(), LEFT, 0.146, None)
    assert check.wrong_m == pytest.approx(0.004, abs=5e-4)
    assert check.offset_m == -check.wrong_m


def test_with_an_offset_the_tape_is_due_at_the_new_target() -> None:
    """A target 3 mm up is 147 mm of tape; the end is still at 150 and known to be 3 mm low."""
    bench = _bench()
    assert bench.ask(ask.Nudge, LEFT, 0.003) == ""
    check = _check(bench, LEFT, 0.150, None)
    assert check.expected_m == pytest.approx(0.147, abs=5e-4)
    assert check.wrong_m == pytest.approx(0.0, abs=5e-4)


def test_a_staff_is_read_against_what_it_should_read() -> None:
    """The blade lies level and 2 % are wanted: over 1.8 m the right end is 36 mm high, as the
    controller knows, so 1.432 m of staff on the target are 1.396 m there. 1.401 m is 5 mm lower."""
    check = _check(_bench(), RIGHT, 1.401, 1.432)
    assert check.wrong_m == pytest.approx(-0.005, abs=1e-3)
    assert check.offset_m == pytest.approx(0.005, abs=1e-3)


def test_two_in_a_row_beyond_tolerance_hold_and_say_what_to_look_at() -> None:
    bench = _bench()
    assert _check(bench, LEFT, 0.142, None).in_a_row == 1
    assert bench.step().mode is Mode.AUTO
    assert _check(bench, LEFT, 0.158, None).in_a_row == 2
    tick = bench.step()
    assert tick.mode is Mode.NEUTRAL
    assert tick.why == BY_NAME["check level off"].words
    assert bench.ask(ask.Engage) == ""


def test_a_good_one_between_two_bad_ones_is_no_fault() -> None:
    bench = _bench()
    for reading, row in ((0.142, 1), (0.150, 0), (0.158, 1)):
        assert _check(bench, LEFT, reading, None).in_a_row == row
    assert bench.step().mode is Mode.AUTO


@pytest.mark.parametrize("reading", [math.nan, math.inf, 10.5, -10.5])
def test_what_is_no_reading_is_refused(reading: float) -> None:
    bench = _bench()
    assert "a reading lies within 10 m" in bench.ask(ask.CheckLevel, LEFT, reading, None)
    assert "a reading lies within 10 m" in bench.ask(ask.CheckLevel, RIGHT, 1.0, reading)


def test_without_a_reference_of_its_own_or_a_datum_it_is_refused() -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    bench.run(1.0)
    assert "nothing to check" in bench.ask(ask.CheckLevel, LEFT, 0.15, None)
    bench = _bench()
    assert "give the reading it should have" in bench.ask(ask.CheckLevel, RIGHT, 0.15, None)


def test_it_is_due_each_so_many_metres_of_automatic_way() -> None:
    levels = Levels(CheckLevels(every_m=20.0))
    assert not levels.due(100.0, engaged=False)
    assert not levels.due(130.0, engaged=True)
    assert not levels.due(149.9, engaged=True)
    assert levels.due(150.0, engaged=False)
    levels.take(LEFT, (0.15, 0.15), 0.0, 151.0)
    assert not levels.due(170.9, engaged=True)
    assert levels.due(130.9, engaged=True)  # against chainage too


def test_it_is_due_at_each_mark_where_the_rig_says_so() -> None:
    rig = load_rig(find_rig("reference"))
    rig = rig.model_copy(update={"check": CheckLevels(at="mark")})
    bench = Bench(Controller(rig), scene())
    bench.run(3.0)
    bench.ask(ask.SetDatum, LEFT)
    assert not bench.step().check_due
    assert bench.ask(ask.Mark, "pin 4") == ""
    assert bench.step().check_due
    _check(bench, LEFT, 0.15, None)
    assert not bench.step().check_due


def test_zero_metres_never_asks() -> None:
    levels = Levels(CheckLevels(every_m=0.0))
    levels.due(0.0, engaged=True)
    assert not levels.due(1000.0, engaged=True)


def test_undo_takes_back_one_change_after_another() -> None:
    bench = _bench()
    bench.ask(ask.Nudge, LEFT, 0.005)
    bench.ask(ask.NudgeCrossfall, 0.01)
    bench.ask(ask.SetGate, 0.02, 0.03)
    bench.ask(ask.SetDeadBand, 0.004)
    assert bench.ask(ask.Nudge, LEFT, 5.0) != ""  # refused: nothing to take back of it
    seen = []
    for _ in range(4):
        tick = bench.step()
        seen.append((tick.undo, tick.left.offset_m, tick.gate_near_m, tick.dead_band_m))
        assert bench.ask(ask.Undo) == ""
    assert [row[0] for row in seen] == [
        "dead band 4.0 mm", "gate 20, 30 mm", "crossfall +1.00 %", "nudge left +5.0 mm",
    ]  # fmt: skip
    tick = bench.step()
    assert (tick.left.offset_m, tick.crossfall_target) == (0.0, 0.02)
    assert (tick.gate_near_m, tick.gate_far_m, tick.dead_band_m) == (0.04, 0.06, 0.0015)
    assert tick.undo == "datum left"


def test_undo_lets_a_held_end_go_and_leaves_the_datum() -> None:
    bench = _bench()
    assert bench.ask(ask.HoldEnd, LEFT, True) == ""
    assert bench.step().undo == "hold left"
    assert bench.ask(ask.Undo) == ""
    tick = bench.step()
    assert not tick.left.held
    assert tick.left.datum_m is not None


def test_undo_brings_a_datum_and_its_guide_back() -> None:
    bench = _bench()
    datum = bench.step().left.datum_m
    bench.ask(ask.SetGuide, LEFT, Guide.EDGE)
    assert bench.step().left.datum_m is None
    assert bench.ask(ask.Undo) == ""
    tick = bench.step()
    assert (tick.left.guide, tick.left.datum_m) == (Guide.STRING, datum)


def test_with_nothing_to_take_back_undo_is_refused() -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    assert "nothing has been changed" in bench.ask(ask.Undo)


def test_what_can_be_undone_stands_in_the_snapshot() -> None:
    bench = _bench()
    bench.ask(ask.Nudge, LEFT, 0.005)
    _check(bench, LEFT, 0.142, None)
    other = Controller(bench.controller.rig)
    snapshot.put(other, snapshot.take(bench.controller))
    now, samples = bench.t + 0.01, bench.samples()
    request = (ask.Undo(99),)
    assert other.step(now, samples, request) == bench.controller.step(now, samples, request)
    assert other.levels.in_a_row == 1
