"""The real-time loop round the controller: one thread, absolute deadlines, nothing that waits.

A deadline that has passed when the tick before it ends is skipped and counted, never caught up
with. However the loop ends, the valves are told neutral first, and then it is told why.
"""

from __future__ import annotations

import math
import time
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from drivers.protocols import Rig
from drivers.samples import AnySample, ValveCommand
from firmware_py import snapshot
from firmware_py.messages import AnyRequest, Disengage, Record, Tick

STATE_EVERY_S = 10.0  # the controller's state, so that a replay can go on after a gap
BIN_S = 1e-6  # resolution of the histograms
BINS = 50_000  # 50 ms: later than this is a fault of its own
OWN_NUMBER = -1  # of the request that the loop itself makes at its end
TIME_UP = "the time is up"


class Clock(Protocol):
    """Monotonic seconds, and the one place that waits."""

    def now(self) -> float: ...

    def sleep_until(self, time_s: float) -> None: ...


class MonotonicClock:
    """The system's monotonic clock, which all processes of one computer share."""

    def now(self) -> float:
        return time.monotonic()

    def sleep_until(self, time_s: float) -> None:
        wait = time_s - time.monotonic()
        if wait > 0.0:
            time.sleep(wait)


class ControllerLike(Protocol):
    """What the loop turns: one step a tick, and the command that the valves get after it."""

    @property
    def command(self) -> ValveCommand: ...

    def step(
        self, now_s: float, samples: Sequence[AnySample], requests: Sequence[AnyRequest], /
    ) -> Tick: ...


class Outlet(Protocol):
    """Gets every tick; never waits and never raises."""

    def put(self, tick: Tick) -> None: ...


class RequestSource(Protocol):
    """Gives the requests that came since the last call; never waits and never raises."""

    def take(self) -> Sequence[AnyRequest]: ...


class RingWriter(Protocol):
    """The journal's ring, as the loop writes it."""

    def put(self, record: Record, /) -> bool: ...

    def put_state(self, tree: object, /) -> bool: ...


class Histogram:
    """Times in bins of 1 us, in memory that is all there before the loop starts."""

    def __init__(self) -> None:
        self._bins = array("Q", bytes(8 * BINS))
        self.count = 0
        self.worst_s = 0.0

    def add(self, seconds: float) -> None:
        """Count one time; what lies beyond the last bin counts there."""
        place = int(seconds / BIN_S) if seconds > 0.0 else 0
        self._bins[place if place < BINS else BINS - 1] += 1
        self.count += 1
        self.worst_s = max(self.worst_s, seconds)

    def quantile(self, share: float) -> float:
        """The time (s) that a share of 0 to 1 stays within; 0 when nothing was counted."""
        wanted, seen = share * self.count, 0
        for place, count in enumerate(self._bins):
            seen += count
            if seen >= wanted and seen:
                return min((place + 1) * BIN_S, self.worst_s)
        return 0.0


@dataclass(frozen=True)
class Ended:
    """How a run of the loop ended, and how well it kept its time."""

    why: str
    error: Exception | None
    not_shut: str  # why the valves could not be told neutral; '' when they were
    ticks: int
    missed: int
    states_failed: int
    lateness: Histogram
    work: Histogram
    last: Tick | None
    period_s: float = 0.0  # mean, from tick to tick

    @property
    def failed(self) -> bool:
        return self.error is not None or bool(self.not_shut)

    def words(self) -> str:
        """One or two sentences for a person."""
        if self.error is not None:
            kind = type(self.error).__name__
            told = f"The loop failed ({kind}: {self.error})"
        else:
            told = f"The loop ended: {self.why}"
        if self.not_shut:
            lease = "could not be told neutral, and their lease must shut them"
            return f"{told}. The valves {lease} ({self.not_shut})."
        return f"{told}. Valves neutral."

    def timing_words(self) -> str:
        """Lateness and work of the ticks, in ms."""
        late, work = self.lateness, self.work
        return (
            f"{self.ticks} ticks, {self.missed} deadlines missed; lateness "
            f"{_ms(late, 0.5)} / {_ms(late, 0.99)} / {_ms(late, 0.999)} ms (50 / 99 / 99.9 %), "
            f"worst {late.worst_s * 1e3:.2f} ms; work {_ms(work, 0.5)} / {_ms(work, 0.999)} ms"
        )

    def as_dict(self) -> dict[str, object]:
        """The same for --json."""
        late, work = self.lateness, self.work
        return {
            "why": self.why,
            "error": "" if self.error is None else f"{type(self.error).__name__}: {self.error}",
            "valves_not_shut": self.not_shut,
            "ticks": self.ticks,
            "missed_deadlines": self.missed,
            "period_s": self.period_s,
            "lateness_ms": {name: late.quantile(q) * 1e3 for name, q in QUANTILES.items()}
            | {"worst": late.worst_s * 1e3},
            "work_ms": {name: work.quantile(q) * 1e3 for name, q in QUANTILES.items()}
            | {"worst": work.worst_s * 1e3},
        }


QUANTILES = {"p50": 0.5, "p99": 0.99, "p99.9": 0.999}


def _ms(histogram: Histogram, share: float) -> str:
    return f"{histogram.quantile(share) * 1e3:.2f}"


class Loop:
    """Owns the rig while it runs. `stop` may be called from a signal handler or an outlet."""

    def __init__(
        self,
        controller: ControllerLike,
        rig: Rig,
        clock: Clock,
        ring_writer: RingWriter,
        *,
        outlets: Sequence[Outlet] = (),
        requests_source: RequestSource | None = None,
        tick_hz: float = 100.0,
    ) -> None:
        self._controller, self._rig, self._clock = controller, rig, clock
        self._ring, self._requests = ring_writer, requests_source
        self.outlets = list(outlets)
        self._period = 1.0 / tick_hz
        self._stop = ""
        self._state_due = -math.inf
        self._last: Tick | None = None
        self.ticks = self.missed = self.states_failed = 0
        self.late_s = self.work_s = 0.0  # of this tick, of the one before
        self._span_s = 0.0  # from the first tick to the last
        self.lateness, self.work = Histogram(), Histogram()

    def stop(self, why: str) -> None:
        """End after one more tick, which disengages; the first reason counts."""
        self._stop = self._stop or why

    def run(self, until_s: float = math.inf) -> Ended:
        """Tick until that time on the clock, or until stopped. Valves neutral whatever happens."""
        why, error, not_shut = "", None, "the loop was torn out"
        try:
            why = self._run(until_s)
        except Exception as fault:
            why, error = "a fault", fault
        finally:
            not_shut = self._neutral()
        return Ended(
            why, error, not_shut, self.ticks, self.missed, self.states_failed,
            self.lateness, self.work, self._last, self._span_s / max(self.ticks - 1, 1),
        )  # fmt: skip

    def _run(self, until_s: float) -> str:
        clock, period = self._clock, self._period
        start, number, first = clock.now(), 0, math.nan
        self._put_state(start)
        while True:
            due = start + number * period
            clock.sleep_until(due)
            now = clock.now()
            first = first if self.ticks else now
            self._span_s, self.late_s = now - first, now - due
            self.lateness.add(self.late_s)
            if now >= until_s:
                self.stop(TIME_UP)
            why = self._stop
            self._tick(now, last=bool(why))
            ended = clock.now()
            self.work_s = ended - now
            self.work.add(self.work_s)
            if why:
                return why
            behind = ended - (start + (number + 1) * period)
            skipped = int(behind / period) + 1 if behind > 0.0 else 0
            self.missed += skipped
            number += 1 + skipped

    def _tick(self, now: float, last: bool) -> None:
        """One tick; the last one disengages, so that the journal ends with both valves shut."""
        samples = tuple(self._rig.read(now))
        requests = () if self._requests is None else tuple(self._requests.take())
        if last:
            requests = (*requests, Disengage(OWN_NUMBER))
        tick = self._controller.step(now, samples, requests)
        self._rig.write(self._controller.command)
        self._ring.put(Record(now, samples, requests, tick))
        self._last = tick
        self.ticks += 1
        if now >= self._state_due:
            self._put_state(now)
        for outlet in self.outlets:
            outlet.put(tick)

    def _put_state(self, now: float) -> None:
        """A state that cannot be taken costs a replay, never the run."""
        self._state_due = now + STATE_EVERY_S
        try:
            self._ring.put_state(snapshot.take(self._controller))
        except snapshot.SnapshotError:
            self.states_failed += 1

    def _neutral(self) -> str:
        """Both valves shut, by command and by letting go; '' or what went wrong."""
        wrong = []
        try:
            self._rig.write(ValveCommand(self._clock.now(), 0.0, 0.0))
        except Exception as error:
            wrong.append(f"{type(error).__name__}: {error}")
        try:
            self._rig.close()
        except Exception as error:
            wrong.append(f"{type(error).__name__}: {error}")
        return "; ".join(wrong)
