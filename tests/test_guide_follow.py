"""The run follows the job, closed round the simulated rig; what the blade truly did is judged."""

from __future__ import annotations

import re
from typing import Any

import msgspec
import pytest
from closed_loop import LEFT, RIGHT, Closed, Moment, close, rig_of

from drivers.samples import AnySample, MotionSample
from firmware_py import messages as ask
from firmware_py import snapshot
from firmware_py.controller import Controller
from firmware_py.job import Job, misfit
from firmware_py.live import words
from firmware_py.messages import EndState, Mode
from firmware_py.serve import ABOVE, NO_JOB
from firmware_py.settings import Rig

STATIONS = [
    {"chainage_m": 0, "crossfall_pct": 2}, {"chainage_m": 6, "crossfall_pct": 2},
    {"chainage_m": 8, "crossfall_pct": 3}, {"chainage_m": 80, "crossfall_pct": 3},
]  # fmt: skip
PINS = [{"chainage_m": x, "name": f"P{n}"} for n, x in enumerate((0, 6, 9, 24), start=1)]
COVER = {"kind": "cover", "from_m": 6.0, "to_m": 6.4, "lift_mm": 50, "words": "gully"}
LEVEL = [{"chainage_m": x, "crossfall_pct": 2} for x in (0, 80)]


def job_of(**tables: Any) -> Job:
    plain = {"name": "t", "layer": "base", "stations": STATIONS, "pins": PINS}
    return Job.model_validate(plain | tables)


def follow(job: Job, rig: Rig | None = None, start_m: float = 3.0, **world: Any) -> Closed:
    c = close(rig or rig_of(crossfall_pct=2), **world)
    c.controller = Controller(c.controller.rig, job, start_m)
    return c


def at(c: Closed, chainage: float, sign: int = 1) -> Moment:
    """Drive on to a true chainage."""
    assert c.until(lambda m: sign * (m.truth.chainage_m - chainage) >= 0.0, 60.0) < 60.0
    return c.last


def no_way(_: float, samples: list[AnySample]) -> list[AnySample]:
    """A rig that measures speed and no distance."""
    return [
        msgspec.structs.replace(s, distance_m=None) if isinstance(s, MotionSample) else s
        for s in samples
    ]


def test_a_transition_is_told_ahead_and_ramps() -> None:
    """2 to 3 % between 6 and 8 m, told 2.5 m ahead; 2.5 % at 7 m; the right end 18 mm down."""
    c = follow(job_of(announce_m=2.5)).start(drive_s=0.0)
    assert c.last.tick.notice == ""
    assert c.until(lambda m: bool(m.tick.notice), 3.0) < 3.0
    assert 3.5 <= c.last.truth.chainage_m < 3.56
    assert re.fullmatch(
        r"transition in 2\.[45] m: crossfall 2\.0 to 3\.0 %, over 2\.0 m", c.last.tick.notice
    )
    assert at(c, 7.0).tick.crossfall_target == pytest.approx(0.025, abs=2e-4)
    assert c.last.tick.notice.startswith("transition running")
    assert "| chainage 7.0 m | transition running" in words.line(c.last.tick, 500.0)
    assert words.as_dict(c.last.tick, 500.0)["chainage_m"] == pytest.approx(7.0, abs=0.05)
    m = at(c, 9.0)
    assert m.tick.mode is Mode.AUTO
    assert m.tick.crossfall_target == pytest.approx(0.03, abs=1e-9)
    assert m.truth.crossfall == pytest.approx(0.03, abs=1.5e-3)
    assert m.truth.left_error_m == pytest.approx(0.0, abs=2e-3)
    assert m.truth.right_error_m == pytest.approx(-0.018, abs=3e-3)  # 1 % of 1.8 m
    assert m.tick.notice == ""


def test_a_refused_transition_stays_on_the_old_target_until_it_is_accepted() -> None:
    c = follow(job_of()).start(drive_s=1.0)
    assert c.last.tick.transition == "ahead"
    assert c.ask(ask.RefuseTransition).done
    assert "refused already" in c.ask(ask.RefuseTransition).reason
    m = at(c, 8.5)
    assert m.tick.transition == ask.REFUSED
    assert m.tick.notice == "transition at 6.0 m refused: target stays until you accept it"
    assert m.tick.crossfall_target == 0.02
    assert c.ask(ask.AcceptTransition).done
    c.run(1.2)
    assert c.last.tick.crossfall_target == pytest.approx(0.03)
    turned = [abs(b.tick.crossfall_target - a.tick.crossfall_target)
              for a, b in zip(c.log, c.log[1:], strict=False)]  # fmt: skip
    assert max(turned) <= 0.020 * 0.01 / 1.8 + 1e-12  # 20 mm/s over the blade: no lurch
    assert "nothing to accept" in c.ask(ask.AcceptTransition).reason


def test_there_must_be_a_transition_near_to_refuse_one() -> None:
    c = follow(job_of(stations=LEVEL)).start(drive_s=0.2)
    assert c.ask(ask.RefuseTransition).reason.startswith("no transition within 5 m")


def test_over_a_cover_both_ends_are_up_in_time_and_come_back_slowly() -> None:
    """50 mm over 6 to 6.4 m: up before it and by 2 sd of the chainage, down at 20 mm/s."""
    c = follow(job_of(stations=LEVEL, obstacles=[COVER])).start(drive_s=1.0)
    assert c.last.tick.notice.startswith("cover in ")
    assert c.last.tick.notice.endswith("m (gully): lift 50 mm")
    at(c, 9.3)
    over = [m for m in c.log if 6.0 <= m.truth.chainage_m <= 6.4]
    for side in ("left_error_m", "right_error_m"):
        assert min(getattr(m.truth, side) for m in over) > 0.045
    falls = [a.tick.raised_m - b.tick.raised_m for a, b in zip(c.log, c.log[1:], strict=False)]
    assert max(falls) <= 0.020 * 0.01 + 1e-12
    assert max(-fall for fall in falls) <= 0.8 * 0.060 * 0.01 + 1e-12
    assert {m.tick.mode for m in c.log[400:]} == {Mode.AUTO}
    assert c.last.truth.left_error_m == pytest.approx(0.0, abs=2e-3)
    assert c.last.tick.cut != "lifted 50"


def test_against_chainage_left_and_right_swap_and_the_order_turns() -> None:
    """From 10 m down: 3 % looking up chainage is -3 % to the driver; then 2 % past 6 m."""
    rig = rig_of(crossfall_pct=3, against_chainage=True)
    c = follow(job_of(string_side="right"), rig, start_m=10.0, segments=((13.0, 0.0),))
    c.start(drive_s=0.1)
    assert c.last.tick.crossfall_target == -0.03
    assert c.last.tick.transition == "ahead"
    assert "crossfall -3.0 to -2.0 %" in c.last.tick.notice
    m = at(c, 5.5, -1)
    assert m.tick.chainage_m == pytest.approx(5.5, abs=0.05)
    assert m.tick.crossfall_target == pytest.approx(-0.02, abs=1e-9)
    assert m.truth.crossfall == pytest.approx(-0.02, abs=1.5e-3)


def test_the_string_may_stand_on_the_right() -> None:
    plain = rig_of(crossfall_pct=2).model_dump(mode="json")
    plain["bars"] = {"right": plain["bars"]["left"] | {"device": "bar.right"}}
    plain["left"], plain["right"] = plain["right"], plain["left"]
    plain["control"]["master"] = "right"
    rig = Rig.model_validate(plain)
    assert misfit(job_of(string_side="right"), rig) == ""
    assert "driving with chainage that is the left end" in misfit(job_of(string_side="left"), rig)
    c = follow(job_of(string_side="right"), rig).start(drive_s=1.0)
    m = at(c, 8.8)
    assert m.tick.mode is Mode.AUTO
    assert m.truth.right_error_m == pytest.approx(0.0, abs=2e-3)
    assert m.truth.left_error_m == pytest.approx(0.018, abs=3e-3)


def test_too_steep_a_job_does_not_fit() -> None:
    steep = job_of(stations=[{"chainage_m": 0, "crossfall_pct": 12}])
    told = misfit(steep, rig_of())
    assert told == "the job falls 12 %; rig reference allows limits.crossfall_pct = 10"


def test_a_string_gap_is_told_and_the_rules_of_hold_stand() -> None:
    gap = {"kind": "gap", "from_m": 4.5, "to_m": 6.0}
    c = follow(job_of(stations=LEVEL, obstacles=[gap])).start(drive_s=1.0)
    assert "string gap in" in c.last.tick.notice
    c.sim.inject("reference_gone", "bar.left", c.t + 1.0, c.t + 6.5)
    at(c, 5.8)
    assert c.last.tick.notice == "string gap now: hold or coast"
    assert c.last.tick.left.state is EndState.HOLD
    c.run(2.5)
    assert c.last.tick.left.state is EndState.LED


def test_without_chainage_a_transition_waits_for_the_mark() -> None:
    c = follow(job_of())
    c.wire = no_way
    c.start(drive_s=4.0)
    at(c, 6.5)
    assert c.last.tick.chainage_m is None
    assert c.last.tick.crossfall_target == 0.02
    assert c.last.tick.notice.startswith("no distance sensor: mark pin P2 at 6.00 m; ")
    assert c.last.tick.notice.endswith(
        "from 6.0 m waits for a pin: crossfall 2.0 to 3.0 %, over 2.0 m"
    )
    assert c.ask(ask.MarkPin).done  # P2, where it begins
    c.run(1.0)
    assert c.last.tick.crossfall_target == 0.02
    assert c.ask(ask.MarkPin).done  # P3, past its end: it ramps by the limits
    c.run(1.5)
    assert c.last.tick.crossfall_target == pytest.approx(0.03)
    assert c.last.tick.mode is Mode.AUTO


def test_a_marked_pin_corrects_the_chainage_and_a_wrong_one_is_refused() -> None:
    c = follow(job_of(stations=LEVEL), start_m=3.3).start(drive_s=0.5)  # 0.3 m wrong
    assert "no pin is near" in c.ask(ask.MarkPin).reason
    at(c, 6.0)
    assert c.ask(ask.MarkPin).done
    assert c.last.tick.chainage_m == pytest.approx(c.last.truth.chainage_m, abs=0.02)
    assert "P9" in c.ask(ask.MarkPin, "P9").reason


def test_the_lower_demand_of_target_and_limit_is_taken() -> None:
    """The ground 80 mm high, 30 a pass: the edge runs 50 mm over its target and says so."""
    job = job_of(stations=LEVEL, cut={"each_mm": 30})
    c = follow(job, start_above_m=0.08)
    c.sim.person.enable(True)
    c.run(2.5)
    assert "within 500 mm" in c.ask(ask.SetDatum, LEFT, ABOVE + 0.01).reason
    assert c.ask(ask.SetDatum, LEFT, 0.08).done
    assert c.last.tick.undo == "datum left, 80 mm above"
    assert c.ask(ask.Engage).done
    c.sim.person.drive(0.5)
    c.run(3.5)
    m = c.last
    assert m.tick.cut == "cutting 30, 50 left"
    assert m.tick.left.error_m == pytest.approx(0.0, abs=2e-3)
    assert m.truth.left_error_m == pytest.approx(0.05, abs=2e-3)
    assert m.truth.right_error_m == pytest.approx(0.05, abs=4e-3)
    # back over the same metres: what was left there is the present ground
    c.ask(ask.Disengage)
    c.sim.person.drive(-0.5)
    c.run(3.0)
    assert c.last.tick.cut in {f"cutting 30, {left} left" for left in (19, 20, 21)}


def test_undoing_that_datum_forgets_the_ground() -> None:
    c = follow(job_of(stations=LEVEL))
    c.sim.person.enable(True)
    c.run(2.5)
    assert c.ask(ask.SetDatum, LEFT).done
    assert c.ask(ask.SetDatum, LEFT, 0.08).done
    assert c.last.tick.raised_m == 0.0
    c.run(0.1)
    assert c.last.tick.raised_m == pytest.approx(0.05)
    assert c.ask(ask.Undo).done
    c.run(0.1)
    assert (c.last.tick.raised_m, c.last.tick.cut) == (0.0, "")


@pytest.mark.parametrize("kind", [ask.MarkPin, ask.RefuseTransition, ask.AcceptTransition])
def test_without_a_job_its_requests_are_refused(kind: type[ask.Request]) -> None:
    c = close()
    c.run(0.1)
    assert c.ask(kind).reason == NO_JOB
    assert (c.last.tick.chainage_m, c.last.tick.notice, c.last.tick.raised_m) == (None, "", 0.0)


def test_a_controller_from_a_snapshot_goes_on_the_same() -> None:
    """In the middle of all of it: a cover, a cut, a refused transition."""
    job = job_of(obstacles=[COVER | {"from_m": 5.0, "to_m": 5.5}])
    c = follow(job, start_above_m=0.06)
    c.sim.person.enable(True)
    c.run(2.5)
    assert c.ask(ask.SetDatum, LEFT, 0.06).done
    assert c.ask(ask.Engage).done
    c.sim.person.drive(0.5)
    c.run(2.0)
    assert c.ask(ask.RefuseTransition).done
    c.run(1.5)
    twin = Controller(c.controller.rig, job, 3.0)
    snapshot.put(twin, snapshot.take(c.controller))
    for _ in range(300):
        c.t += 0.01
        samples = list(c.sim.read(500.0 + c.t))
        assert twin.step(500.0 + c.t, samples) == c.controller.step(500.0 + c.t, samples)
        c.sim.write(c.controller.command)
    assert RIGHT in twin.targets.ends
