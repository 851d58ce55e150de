"""Requests: each done or refused with a reason, at both sides of each limit (serve.py)."""

from __future__ import annotations

import math

import pytest
from closed_loop import LEFT, RIGHT, Closed, changed, close, error, rig_of
from hand_made import Bench, scene

from firmware_py import messages as ask
from firmware_py.controller import Controller
from firmware_py.guard.table import BY_NAME
from firmware_py.messages import EndState, Guide, Mode, Side
from firmware_py.settings import Rig

NAN, INF = math.nan, math.inf
TWICE = 0.003  # m; two stops of the blade differ by this, each within a dead band of 1.5 mm
LEADS = (EndState.LED, EndState.COAST)


def _bench(rig: Rig | None = None, *, seconds: float = 1.5, **at: float | None) -> Bench:
    """The reference rig on the level over a string drawn by hand."""
    bench = Bench(Controller(rig or rig_of(crossfall_pct=0.0)), scene(**at))
    bench.run(seconds)
    return bench


def _ready(rig: Rig | None = None) -> Bench:
    bench = _bench(rig)
    assert bench.ask(ask.SetDatum, LEFT) == ""
    return bench


def test_a_datum_needs_a_reference_in_view() -> None:
    bench = _bench(lateral=0.5)
    assert bench.ask(ask.SetDatum, LEFT) == "left: no reference in view; a datum needs one"
    assert bench.controller.targets.ends[LEFT].datum is None


@pytest.mark.parametrize(("sd_mm", "done"), [(2.9, True), (3.1, False)])
def test_a_datum_needs_a_sure_reference(sd_mm: float, done: bool) -> None:
    bench = _bench()
    track = bench.controller.blade.tracks[LEFT]
    bench.scene.lateral[LEFT] = 0.5  # nothing more is heard
    bench.run(0.03)
    track.filter.cov[0] = (sd_mm / 1e3) ** 2
    bench.controller.blade.roll_variance = 0.0
    reason = bench.ask(ask.SetDatum, LEFT)
    assert reason == "" if done else "unsure by 3.1 mm" in reason


def test_an_end_without_a_bar_guide_needs_no_datum() -> None:
    assert _bench().ask(ask.SetDatum, RIGHT) == "right follows 'fall', which needs no datum"


@pytest.mark.parametrize(
    ("step", "done"), [(0.05, True), (-0.05, True), (0.0501, False), (-0.0501, False), (NAN, False),
                       (INF, False), (-INF, False)],
)  # fmt: skip
def test_both_sides_of_a_nudge(step: float, done: bool) -> None:
    bench = _ready()
    reason = bench.ask(ask.Nudge, LEFT, step)
    assert reason == ("" if done else "a nudge is at most 50 mm")
    assert bench.controller.targets.ends[LEFT].offset == (step if done else 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_both_sides_of_the_offset_s_limit(sign: float) -> None:
    """150 mm from the datum, in three steps of 50; one more mm is refused, back is not."""
    bench = _ready()
    for _ in range(3):
        assert bench.ask(ask.Nudge, LEFT, sign * 0.05) == ""
    reason = bench.ask(ask.Nudge, LEFT, sign * 0.001)
    assert reason == "the offset would pass 150 mm; set a new datum instead"
    assert bench.ask(ask.Nudge, LEFT, -sign * 0.001) == ""
    assert bench.controller.targets.ends[LEFT].offset == pytest.approx(sign * 0.149)


@pytest.mark.parametrize(
    ("step", "done"), [(0.01, True), (-0.01, True), (0.0101, False), (-0.0101, False), (NAN, False)]
)
def test_both_sides_of_a_crossfall_nudge(step: float, done: bool) -> None:
    bench = _ready()
    reason = bench.ask(ask.NudgeCrossfall, step)
    assert reason == ("" if done else "a nudge of crossfall is at most 1 %")
    assert bench.controller.targets.crossfall == (step if done else 0.0)


def test_both_sides_of_the_crossfall_s_limit() -> None:
    """10 % in ten steps of 1 %, and no further."""
    bench = _ready()
    for _ in range(10):
        assert bench.ask(ask.NudgeCrossfall, 0.01) == ""
    assert bench.ask(ask.NudgeCrossfall, 0.001) == "the crossfall would pass 10.0 %"
    assert bench.ask(ask.NudgeCrossfall, -0.001) == ""


@pytest.mark.parametrize("guide", [Guide.STRING, Guide.EDGE, Guide.SURFACE])
def test_a_bar_guide_needs_a_bar_there(guide: Guide) -> None:
    reason = _bench().ask(ask.SetGuide, RIGHT, guide)
    assert reason == f"'{guide}' needs a bar on the right, and this rig has none"


def test_both_ends_cannot_fall_from_each_other() -> None:
    bench = _bench()
    assert bench.ask(ask.SetGuide, LEFT, Guide.FALL) == (
        "both ends cannot follow each other's crossfall"
    )
    assert bench.ask(ask.SetGuide, RIGHT, Guide.HOLD) == ""
    assert bench.ask(ask.SetGuide, LEFT, Guide.FALL) == ""
    assert bench.step().left.guide is Guide.FALL


def test_a_turned_bar_cannot_tell_a_string_s_lateral() -> None:
    """Its elements stand along travel: to all of them a string is as far."""
    bench = _bench(rig_of("surface"))
    for guide in (Guide.STRING, Guide.EDGE):
        assert "stands along travel" in bench.ask(ask.SetGuide, LEFT, guide)
    assert bench.ask(ask.SetGuide, LEFT, Guide.SURFACE) == ""


def test_another_guide_voids_the_datum_and_the_same_one_keeps_it() -> None:
    bench = _ready()
    assert bench.ask(ask.SetGuide, LEFT, Guide.STRING) == ""
    assert bench.controller.targets.ends[LEFT].datum is not None
    assert bench.ask(ask.SetGuide, LEFT, Guide.EDGE) == ""
    assert bench.controller.targets.ends[LEFT].datum is None


@pytest.mark.parametrize(
    ("near", "far", "done"),
    [(0.005, 0.005, True), (0.0049, 0.06, False), (0.04, 0.0049, False), (0.5, 0.5, True),
     (0.501, 0.06, False), (0.04, 0.501, False), (NAN, 0.06, False), (0.04, NAN, False)],
)  # fmt: skip
def test_both_sides_of_the_gate(near: float, far: float, done: bool) -> None:
    bench = _ready()
    reason = bench.ask(ask.SetGate, near, far)
    assert reason == ("" if done else "each half of the gate lies between 5 and 500 mm")
    got = (bench.controller.gate_near, bench.controller.gate_far)
    assert got == ((near, far) if done else (0.04, 0.06))


def test_a_gate_wider_than_the_bar_s_reach_is_refused() -> None:
    """Reach 200 to 900 mm: 350 + 350 is as wide, 351 + 350 is wider."""
    rig = rig_of()
    bar = rig.bars[LEFT].model_dump(mode="json") | {"reach_far_mm": 900.0}
    bench = _ready(changed(rig, bars={"left": bar}))
    assert bench.ask(ask.SetGate, 0.351, 0.350) == (
        "the gate would be wider than the reach of the left bar"
    )
    assert bench.ask(ask.SetGate, 0.350, 0.350) == ""


@pytest.mark.parametrize(
    ("half", "done"), [(0.0, True), (0.02, True), (-1e-6, False), (0.0201, False), (NAN, False)]
)
def test_both_sides_of_the_dead_band(half: float, done: bool) -> None:
    bench = _ready()
    reason = bench.ask(ask.SetDeadBand, half)
    assert reason == ("" if done else "the dead band lies between 0 and 20 mm")
    bands = {loop.band.half for loop in bench.controller.actuate.loops.values()}
    assert bands == {bench.controller.dead_band} == {half if done else 0.0015}


@pytest.mark.parametrize(("length", "done"), [(200, True), (201, False)])
def test_both_sides_of_a_mark(length: int, done: bool) -> None:
    reason = _bench().ask(ask.Mark, "x" * length)
    assert reason == ("" if done else "a mark has at most 200 characters")


def test_engage_is_refused_without_a_datum_and_done_with_one() -> None:
    bench = _bench()
    assert bench.ask(ask.Engage) == ("left: no datum. Set the datum first.")
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.Engage) == ""
    assert bench.step().mode is Mode.AUTO


@pytest.mark.parametrize(("mm", "done"), [(39.0, True), (41.0, False)])
def test_both_sides_of_the_engage_error(mm: float, done: bool) -> None:
    bench = _ready()
    assert bench.ask(ask.Nudge, LEFT, -mm / 1e3) == ""
    reason = bench.ask(ask.Engage)
    assert reason == ("" if done else "left: 41 mm off; bring it within 40 mm by hand first.")


def test_engage_is_refused_while_the_reference_is_out_of_view() -> None:
    bench = _ready()
    bench.scene.lateral[LEFT] = 0.5
    bench.run(0.7)
    assert bench.ask(ask.Engage) == "left: no sure reference in view. Check string, edge and gate."


def test_engage_is_refused_with_the_words_of_a_fault() -> None:
    bench = _ready()
    bench.scene.enable = False
    assert bench.ask(ask.Engage) == BY_NAME["enable released"].words


def test_engage_is_refused_on_a_rig_without_valves() -> None:
    bench = _ready(rig_of("cue-only"))
    assert bench.ask(ask.Engage) == "This rig has no valves: it gives cues only."


def test_disengage_shuts_at_once_and_stays() -> None:
    bench = _ready()
    assert bench.ask(ask.Engage) == ""
    bench.run(0.1)
    assert bench.ask(ask.Disengage) == ""
    assert (bench.controller.command.left, bench.controller.command.right) == (0.0, 0.0)
    assert bench.run(1.0).mode is Mode.NEUTRAL


def test_every_request_of_a_tick_is_answered_in_its_order() -> None:
    bench = _ready()
    tick = bench.step(ask.Nudge(7, LEFT, 0.01), ask.Nudge(8, LEFT, NAN), ask.Mark(9, "pin 4"))
    assert [(a.number, a.done) for a in tick.answers] == [(7, True), (8, False), (9, True)]


def _mean(c: Closed, side: Side, seconds: float = 1.5) -> float:
    moments = c.run(seconds)
    return sum(error(m, side) for m in moments) / len(moments)


def test_an_offset_nudged_live_moves_the_true_blade_by_as_much() -> None:
    c = close().start(drive_s=1.0)
    before = {side: _mean(c, side) for side in Side}
    assert c.ask(ask.Nudge, LEFT, 0.010).done
    c.run(1.5)
    for side in Side:  # the right end falls from the left one's target: it goes along
        assert _mean(c, side) - before[side] == pytest.approx(0.010, abs=TWICE)


def test_a_crossfall_nudged_live_tilts_the_true_blade_by_as_much() -> None:
    """+0.5 % over 1.8 m: the right end goes down 9 mm, the left stays."""
    c = close().start(drive_s=1.0)
    before = {side: _mean(c, side) for side in Side}
    assert c.ask(ask.NudgeCrossfall, 0.005).done
    c.run(1.5)
    assert _mean(c, LEFT) - before[LEFT] == pytest.approx(0.0, abs=TWICE)
    assert _mean(c, RIGHT) - before[RIGHT] == pytest.approx(-0.009, abs=TWICE)


LIVE = [(RIGHT, Guide.HOLD, EndState.HOLD), (RIGHT, Guide.BY_HAND, EndState.BY_HAND),
        (LEFT, Guide.HOLD, EndState.HOLD), (LEFT, Guide.BY_HAND, EndState.BY_HAND)]  # fmt: skip


@pytest.mark.parametrize(("side", "guide", "state"), LIVE)
def test_a_guide_switched_live_and_back(side: Side, guide: Guide, state: EndState) -> None:
    """That end's valve shuts with the tick; back on its own guide it is led again."""
    c = close().start(drive_s=0.5)
    own = c.last.tick.end(side).guide
    assert c.ask(ask.SetGuide, side, guide).done
    for m in c.run(0.3):
        assert m.tick.end(side).state is state
        assert (m.command.left, m.command.right)[side is RIGHT] == 0.0
        assert m.tick.end(side.other).state in LEADS
    assert c.ask(ask.SetGuide, side, own).done
    if side is LEFT:  # a string's datum went with it
        assert c.run(0.5)[-1].tick.left.state is EndState.HOLD
        assert c.ask(ask.SetDatum, LEFT).done
    assert c.run(0.3)[-1].tick.end(side).state in LEADS


def test_edge_to_fall_and_back_on_a_rig_with_two_bars() -> None:
    c = close(rig_of("two-bars")).start(drive_s=0.5)
    assert c.ask(ask.SetGuide, RIGHT, Guide.FALL).done
    assert c.run(0.3)[-1].tick.right.state in LEADS
    assert c.ask(ask.SetGuide, RIGHT, Guide.EDGE).done
    c.run(1.0)
    assert c.ask(ask.SetDatum, RIGHT).done
    c.run(0.3)
    assert c.last.tick.right.state in LEADS
    assert c.last.tick.mode is Mode.AUTO
