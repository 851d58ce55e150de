"""The loop on a virtual clock: deadlines, skips, neutral whatever happens, outlets, requests."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from test_journal_making import tick

from drivers.samples import AnySample, MotionSample, Validity, ValveCommand
from firmware_py.loop import (
    OWN_NUMBER,
    STATE_EVERY_S,
    TIME_UP,
    Histogram,
    Loop,
    MonotonicClock,
)
from firmware_py.messages import AnyRequest, Disengage, Engage, Mark, Record, Tick

PERIOD = 0.01


class VirtualClock:
    """Sleeping takes no time; `late` is added to every waking, work is spent by `spend`."""

    def __init__(self, late_s: float = 0.0) -> None:
        self.time_s, self.late_s = 50.0, late_s
        self.woken: list[float] = []

    def now(self) -> float:
        return self.time_s

    def sleep_until(self, time_s: float) -> None:
        self.time_s = max(self.time_s, time_s) + self.late_s
        self.woken.append(self.time_s)

    def spend(self, seconds: float) -> None:
        self.time_s += seconds


class ToyController:
    """Counts ticks; spends work on the clock as told; fails when told."""

    STATE = ("seq",)

    def __init__(self, clock: VirtualClock, work: dict[int, float] | None = None) -> None:
        self.clock, self.work = clock, work or {}
        self.seq = 0
        self.fail_at = -1
        self.command = ValveCommand(0.0, 0.0, 0.0)
        self.got: list[tuple[float, tuple[AnySample, ...], tuple[AnyRequest, ...]]] = []

    def step(
        self, now_s: float, samples: Sequence[AnySample], requests: Sequence[AnyRequest], /
    ) -> Tick:
        self.got.append((now_s, tuple(samples), tuple(requests)))
        if self.seq == self.fail_at:
            raise ZeroDivisionError("a sum went wrong")
        self.clock.spend(self.work.get(self.seq, 0.0))
        ended = any(isinstance(r, Disengage) for r in requests)
        valve = 0.0 if ended else 0.4
        self.command = ValveCommand(now_s, valve, valve)
        made = tick(self.seq, valve)
        self.seq += 1
        return made


class ToyRig:
    """Records what it is told; a valve that cannot be written raises."""

    def __init__(self) -> None:
        self.told: list[ValveCommand] = []
        self.closed = 0
        self.broken = False

    def read(self, now_s: float) -> Sequence[AnySample]:
        return [MotionSample("motion", now_s, Validity.OK, 0.5, now_s)]

    def write(self, command: ValveCommand) -> None:
        if self.broken:
            raise OSError("the valve board has gone")
        self.told.append(command)

    def close(self) -> None:
        self.closed += 1


class ToyRing:
    def __init__(self) -> None:
        self.records: list[Record] = []
        self.states: list[int] = []

    def put(self, record: Record, /) -> bool:
        self.records.append(record)
        return True

    def put_state(self, tree: object, /) -> bool:
        self.states.append(len(self.records))
        return True


class Stopper:
    """An outlet that stops the loop after some ticks."""

    def __init__(self, after: int) -> None:
        self.after, self.count = after, 0
        self.loop: Loop | None = None

    def put(self, tick: Tick) -> None:
        self.count += 1
        if self.count == self.after and self.loop is not None:
            self.loop.stop("enough")


class Bench:
    """A loop with toys all round."""

    def __init__(self, work: dict[int, float] | None = None, late_s: float = 0.0) -> None:
        self.clock = VirtualClock(late_s)
        self.controller = ToyController(self.clock, work)
        self.rig, self.ring = ToyRig(), ToyRing()
        self.asked: list[AnyRequest] = []
        self.loop = Loop(
            self.controller, self.rig, self.clock, self.ring, requests_source=self, tick_hz=100.0
        )

    def take(self) -> Sequence[AnyRequest]:
        asked, self.asked = self.asked, []
        return asked

    def times(self) -> list[int]:
        """At which deadline each tick ran."""
        return [round((now - 50.0) / PERIOD) for now, _, _ in self.controller.got]


def test_deadlines_are_absolute() -> None:
    bench = Bench(late_s=0.0003)
    ended = bench.loop.run(50.0 + 1.0)
    assert bench.times() == list(range(101))
    # the lateness of each waking does not add up: the hundredth is as late as the first
    assert bench.clock.woken[100] - 51.0 == pytest.approx(0.0003)
    assert (ended.ticks, ended.missed) == (101, 0)
    assert ended.lateness.quantile(0.99) == pytest.approx(0.0003, abs=2e-6)
    assert ended.why == TIME_UP
    assert not ended.failed


def test_missed_deadlines_are_skipped_and_counted_never_caught_up_with() -> None:
    bench = Bench(work={3: 0.035, 7: 0.011})
    ended = bench.loop.run(50.0 + 0.2)
    # tick 3 runs at deadline 3 until 6.5: 4, 5 and 6 are gone. Tick 7 at 10 until 11.1: 11 is.
    assert bench.times()[:10] == [0, 1, 2, 3, 7, 8, 9, 10, 12, 13]
    assert ended.missed == 4
    assert ended.lateness.worst_s == pytest.approx(0.0, abs=1e-9)
    assert ended.work.worst_s == pytest.approx(0.035)


def test_work_that_ends_at_a_deadline_has_not_missed_it() -> None:
    bench = Bench(work={3: 0.0099})
    assert bench.loop.run(50.1).missed == 0


def test_a_long_stall_is_one_skip() -> None:
    bench = Bench(work={5: 3600.0})
    ended = bench.loop.run(50.0 + 3600.2)
    assert ended.missed == 360_000
    assert ended.ticks < 30


def test_the_last_tick_disengages_and_the_valves_end_neutral() -> None:
    bench = Bench()
    ended = bench.loop.run(50.05)
    assert bench.ring.records[-1].requests == (Disengage(OWN_NUMBER),)
    assert [c.left for c in bench.rig.told[:-2]] == [0.4] * 5
    assert [(c.left, c.right) for c in bench.rig.told[-2:]] == [(0.0, 0.0)] * 2
    assert bench.rig.closed == 1
    assert ended.words() == f"The loop ended: {TIME_UP}. Valves neutral."


def test_stop_ends_after_one_more_tick_and_the_first_reason_counts() -> None:
    bench, stopper = Bench(), Stopper(5)
    stopper.loop = bench.loop
    bench.loop.outlets.append(stopper)
    ended = bench.loop.run()
    assert (ended.ticks, ended.why) == (6, "enough")
    bench.loop.stop("later")
    assert ended.last is not None


@pytest.mark.parametrize("at", [0, 4])
def test_an_exception_makes_the_valves_neutral_and_is_told(at: int) -> None:
    bench = Bench()
    bench.controller.fail_at = at
    ended = bench.loop.run()
    assert ended.failed
    assert isinstance(ended.error, ZeroDivisionError)
    assert (bench.rig.told[-1].left, bench.rig.told[-1].right) == (0.0, 0.0)
    assert bench.rig.closed == 1
    assert ended.words() == (
        "The loop failed (ZeroDivisionError: a sum went wrong). Valves neutral."
    )
    assert ended.as_dict()["error"] == "ZeroDivisionError: a sum went wrong"


def test_valves_that_cannot_be_told_are_let_go_and_that_is_told() -> None:
    bench = Bench()
    bench.rig.broken = True
    ended = bench.loop.run()
    assert bench.rig.closed == 1
    assert ended.failed
    assert "could not be told neutral, and their lease must shut them" in ended.words()


def test_a_tear_out_is_neutral_too() -> None:
    bench = Bench()

    class Torn:
        def put(self, tick: Tick) -> None:
            raise KeyboardInterrupt

    bench.loop.outlets.append(Torn())
    with pytest.raises(KeyboardInterrupt):
        bench.loop.run()
    assert bench.rig.told[-1].left == 0.0
    assert bench.rig.closed == 1


def test_requests_reach_the_tick_that_records_them() -> None:
    bench = Bench()
    bench.asked = [Engage(7), Mark(8, "here")]
    bench.loop.run(50.02)
    assert bench.controller.got[0][2] == (Engage(7), Mark(8, "here"))
    assert bench.ring.records[0].requests == (Engage(7), Mark(8, "here"))
    assert bench.controller.got[1][2] == ()


def test_the_record_holds_what_the_controller_was_given() -> None:
    bench = Bench()
    bench.loop.run(50.03)
    for record, (now, samples, requests) in zip(
        bench.ring.records, bench.controller.got, strict=True
    ):
        assert (record.time_s, record.samples, record.requests) == (now, samples, requests)
        assert record.tick.seq == bench.ring.records.index(record)


def test_the_state_stands_at_the_start_and_each_ten_seconds() -> None:
    bench = Bench()
    bench.loop.run(50.0 + 2 * STATE_EVERY_S + 1.0)
    assert bench.ring.states == [0, 1001, 2001]


def test_a_state_that_cannot_be_taken_does_not_end_the_run() -> None:
    bench = Bench()
    bench.controller.seq_ = object()  # type: ignore[attr-defined]
    bench.controller.STATE = ("seq", "seq_")  # type: ignore[assignment]
    ended = bench.loop.run(50.0 + 10.5)
    assert ended.states_failed == 2
    assert not ended.failed


def test_histogram() -> None:
    histogram = Histogram()
    assert histogram.quantile(0.5) == 0.0
    for n in range(1000):
        histogram.add(n * 1e-6)
    histogram.add(-1.0)  # woken early
    histogram.add(7.0)  # beyond the last bin
    assert histogram.count == 1002
    assert histogram.quantile(0.5) == pytest.approx(500e-6, abs=2e-6)
    assert histogram.quantile(0.99) == pytest.approx(990e-6, abs=2e-6)
    assert histogram.worst_s == 7.0
    assert histogram.quantile(1.0) <= 7.0


def test_the_real_clock_does_not_wait_for_the_past() -> None:
    clock = MonotonicClock()
    before = clock.now()
    clock.sleep_until(-math.inf)
    clock.sleep_until(before + 0.002)
    assert 0.002 <= clock.now() - before < 1.0
