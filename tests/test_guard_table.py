"""Every row of the fault table, injected: trigger, response in time, words shown, recovery.

The whole controller runs closed round the simulated rig. Four rows need a scene of their own
and stand in test_guard_scenes.py and test_check_level.py.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import msgspec
import pytest
from closed_loop import LEFT, START_S, Closed, Moment, changed, close, rig_of, shut

from drivers.samples import AnySample, LeaseSample, MotionSample, Validity
from firmware_py import messages as ask
from firmware_py.calibration import Calibration, Slope
from firmware_py.controller import Controller
from firmware_py.guard.faults import bar_age
from firmware_py.guard.table import BY_NAME, ROWS, Recovery, Response, Row
from firmware_py.job import Job
from firmware_py.messages import EndState, Mode

LASTS = 1.2  # s; of an injected fault
AGAIN_S = 0.5  # s; the table's "good for half a second"
SLACK_S = 0.06  # s; a few ticks and a frame


@dataclass(frozen=True)
class Injection:
    """How a row comes about. within: s from then until it must be told and answered."""

    name: str
    do: Callable[[Closed], object]
    within: float
    undo: Callable[[Closed], object] = lambda c: None
    lasts: float = LASTS
    start: Callable[[], Closed] = lambda: close().start(drive_s=0.5)
    again: float = 2.0  # s after the undoing by which all is good again


def _break(
    kind: str, device: str, lasts: float = LASTS, **values: object
) -> Callable[[Closed], None]:
    return lambda c: c.sim.inject(kind, device, c.t, c.t + lasts, **values)


def _checked() -> Closed:
    """A rig whose slope check was made at the temperature that the sensor begins with."""
    slope = Slope(temperature_c=18.0)
    rig = rig_of().model_copy(update={"calibration": Calibration(slope=slope)})
    return close(rig).start(drive_s=0.5)


def _standing() -> Closed:
    return close().start(0.0, drive_s=1.5)


def _leased() -> Closed:
    """The reference rig with valves under a relay, which says that it holds them."""
    valves = {
        "kind": "pca9685", "lease": "relay", "relay_pin": 25,
        "left": {"output": "coils", "raise_channel": 0, "lower_channel": 1},
        "right": {"output": "coils", "raise_channel": 2, "lower_channel": 3},
    }  # fmt: skip
    rig = rig_of()
    assert rig.valves is not None
    c = close(changed(rig, valves=rig.valves.model_dump(mode="json") | valves))
    _lease(True)(c)
    return c.start(drive_s=0.5)


def _lease(armed: bool | None) -> Callable[[Closed], None]:
    """Told each tick; None: nothing is told."""

    def act(c: Closed) -> None:
        def wire(t: float, samples: list[AnySample]) -> list[AnySample]:
            if armed is None:
                return samples
            return [*samples, LeaseSample("valves", START_S + t, Validity.OK, armed)]

        c.wire = wire

    return act


def _held_right() -> Closed:
    c = close().start(drive_s=0.5)
    assert c.ask(ask.HoldEnd, ask.Side.RIGHT, True).done
    return c


def _target_off(by: float) -> Callable[[Closed], None]:
    """A led end's target far from where it is: no request can ask for so much at once."""
    return lambda c: setattr(c.controller.targets.ends[LEFT], "offset", by)


def _dead_left(c: Closed) -> None:
    """The left valve stuck shut while 30 mm are asked of it."""
    c.sim.inject("valve_shut", "valves", c.t, c.t + 5.0, end="left")
    c.ask(ask.Nudge, LEFT, 0.03)


def _job(**tables: object) -> Job:
    stations = [{"chainage_m": 0, "crossfall_pct": 0}, {"chainage_m": 70, "crossfall_pct": 0}]
    return Job.model_validate({"name": "t", "layer": "base", "stations": stations} | tables)


def _with_job(job: Job, above_m: float = 0.0) -> Closed:
    """Automatic and driving, along a job; above_m: the ground's, over the level."""
    c = close(start_above_m=above_m)
    c.controller = Controller(c.controller.rig, job, 3.0)
    c.sim.person.enable(True)
    c.run(2.5)
    assert c.ask(ask.SetDatum, LEFT, above_m).done
    assert c.ask(ask.Engage).done
    c.sim.person.drive(0.5)
    c.run(2.5)
    return c


def _covered() -> Closed:
    return _with_job(_job(
        obstacles=[{"kind": "cover", "from_m": 60, "to_m": 61}],
        pins=[{"chainage_m": 12, "name": "P1"}],
    ))  # fmt: skip


def _way_jumps(c: Closed) -> None:
    """The distance sensor begins anew, 40 m from where it was."""
    c.wire = lambda _, samples: [
        msgspec.structs.replace(s, distance_m=s.distance_m + 40.0)
        if isinstance(s, MotionSample) and s.distance_m is not None else s
        for s in samples
    ]  # fmt: skip


INJECTIONS = [
    Injection("clock jumped", lambda c: c.step(dt=0.6), 0.0, lasts=0.0),
    Injection("clock jumped", lambda c: c.step(dt=0.0), 0.0, lasts=0.0),
    Injection("clock jumped", lambda c: c.step(dt=-0.1), 0.0, lasts=0.0),
    Injection("loop late", lambda c: c.step(dt=0.2), 0.0, lasts=0.0),
    Injection("enable released", lambda c: c.sim.person.enable(False), 0.03,
              lambda c: c.sim.person.enable(True)),
    Injection("driver inputs silent", _break("unplug", "driver"), 0.2),
    Injection("inertial silent", _break("unplug", "inertial"), 0.05),
    Injection("inertial silent", _break("nan", "inertial"), 0.05),
    Injection("inertial silent", _break("stuck_time", "inertial"), 0.05),
    Injection("inertial stuck", _break("freeze", "inertial"), 0.2),
    Injection("bar silent", _break("unplug", "bar.left"), 0.12),
    Injection("bar stuck", _break("freeze", "bar.left"), 0.55,
              start=lambda: close().start(drive_s=1.5)),
    Injection("speed silent", _break("unplug", "motion"), 0.5),
    Injection("speed silent", _break("nan", "motion"), 0.5),
    Injection("air silent", _break("unplug", "air", 16.0), 15.0, lasts=15.2),
    Injection("lease not armed", _lease(False), 0.0, _lease(True), start=_leased),
    Injection("lease not armed", _lease(None), 0.3, _lease(True), start=_leased),
    Injection("reference jumped", _break("jump", "bar.left", by=0.03), 0.6),
    Injection("valve does not answer", _dead_left, 1.6, lasts=5.0),
    Injection("uncommanded motion", _break("valve_runaway", "valves", 0.4, end="left", rate=0.05),
              0.4, start=_standing),
    Injection("error too large", _target_off(0.070), 0.1, _target_off(0.0), lasts=0.3),
    Injection("chainage lost", _way_jumps, 0.05, lambda c: c.ask(ask.MarkPin, "P1"),
              start=_covered),
    Injection("overload", lambda c: c.sim.person.drive(0.2), 1.4,
              lambda c: c.sim.person.drive(0.5), start=lambda: _with_job(_job(), 0.08)),
    Injection("reversing", lambda c: c.sim.person.drive(-0.3), 1.3,
              lambda c: c.sim.person.drive(0.5), lasts=2.0),
    Injection("no led end", _break("reference_gone", "bar.left"), 0.4, start=_held_right),
    Injection("reference lost", _break("reference_gone", "bar.left"), 0.32),
    Injection("no datum", lambda c: setattr(c.controller.targets.ends[LEFT], "datum", None), 0.02,
              lambda c: c.ask(ask.SetDatum, LEFT)),
    Injection("slope check due", lambda c: setattr(c.controller.finder, "engaged_s", 7201.0), 0.02,
              lambda c: setattr(c.controller.finder, "engaged_s", 0.0), start=_checked),
    Injection("samples dropped", _break("nan", "air", 0.6), 0.52, lasts=0.6),
]  # fmt: skip


def test_a_lease_that_is_not_armed_refuses_to_engage_and_a_rig_without_one_is_not_asked() -> None:
    c = _leased()
    c.ask(ask.Disengage)
    _lease(False)(c)
    c.run(0.1)
    row = BY_NAME["lease not armed"]
    assert c.last.tick.why == row.words
    answer = c.ask(ask.Engage)
    assert (answer.done, answer.reason) == (False, row.words)
    _lease(True)(c)
    c.run(0.05)
    assert c.ask(ask.Engage).done
    plain = close().start(drive_s=0.2)
    _lease(False)(plain)
    plain.run(1.2)
    assert plain.last.tick.mode is Mode.AUTO
    assert plain.last.tick.faults == ()


def test_every_row_has_an_injection() -> None:
    here = {i.name for i in INJECTIONS} | {"crossfall off", "far bar off", "not a number",
                                                 "check level off", "hand not sensed"}  # fmt: skip
    assert here == set(BY_NAME)
    assert len(BY_NAME) == len(ROWS)


def _name(injection: Injection) -> str:
    return injection.name


@pytest.mark.parametrize("injection", INJECTIONS, ids=_name)
def test_a_row_of_the_table(injection: Injection) -> None:
    row, c = BY_NAME[injection.name], injection.start()
    assert row.name not in c.last.tick.faults
    began = c.t
    injection.do(c)
    if row.name not in c.last.tick.faults:
        c.until(lambda m: row.name in m.tick.faults, injection.within + SLACK_S)
    assert row.name in c.last.tick.faults
    first = c.last
    _answers(first, row)
    rest = injection.lasts - (c.t - began)
    if rest > 0.0:
        during = c.run(rest)
        if row.response is Response.NEUTRAL:
            assert all(shut(m) for m in during)
    injection.undo(c)
    _recovers(c, row.recovery, injection)


def _answers(first: Moment, row: Row) -> None:
    """What the table says, in the very tick that tells the row."""
    if row.response in (Response.TELL, Response.EASE):
        assert first.tick.mode is Mode.AUTO
        return
    assert first.tick.why == row.words
    assert first.command.left == 0.0
    if row.response is Response.NEUTRAL:
        assert shut(first)
    else:
        assert first.tick.left.state is EndState.HOLD


def _recovers(c: Closed, how: Recovery, injection: Injection) -> None:
    """By itself at once, after half a second, or not before the driver asks."""
    row = BY_NAME[injection.name]
    gone = c.until(lambda m: row.name not in m.tick.faults, injection.again)
    assert gone <= injection.again
    if row.response in (Response.TELL, Response.EASE) or how is Recovery.ONCE:
        assert c.last.tick.mode is Mode.AUTO
    elif how is Recovery.SELF:
        assert c.last.tick.mode is Mode.NEUTRAL
        back = c.until(lambda m: m.tick.mode is Mode.AUTO, 2.0)
        assert back == pytest.approx(AGAIN_S, abs=0.02)
    else:
        quiet = c.run(1.2)
        assert all(shut(m) for m in quiet)
        assert quiet[-1].tick.why == row.words
        answer = c.ask(ask.Engage)
        assert answer.done or "off; bring it within" in answer.reason, answer.reason


@pytest.mark.parametrize(
    ("frame_ms", "age_s"),
    [(5, 0.1), (33, 0.1), (40, 0.12), (116, 0.348), (117, 0.35), (1000, 0.35)],
)
def test_a_bar_is_silent_after_three_frames_within_limits(frame_ms: float, age_s: float) -> None:
    assert bar_age(1e-3 * frame_ms) == pytest.approx(age_s)
