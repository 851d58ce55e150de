"""What a dashboard knows of a run: the frames that came, folded into one place. No screen here.

Times are seconds on the clock that all processes of the computer share, so that the age of a
number is simply now less its time.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from firmware_py.link.frames import (
    FRESH_S,
    Beat,
    Bye,
    Devices,
    FromLoop,
    Hello,
    Host,
    Note,
    Told,
)
from firmware_py.messages import Answer, BarTick, Check, Side, Tick

HISTORY_S = 20.0  # s of errors that are kept
KEEP_EVERY_S = 0.1  # s between two kept points: a dot column of a wide screen
TRACE_M = 12.0  # m of the way that the steering trace shows
TRACE_STEP_M = 0.02  # m of the way between two kept points
LATE_S = 60.0  # s of lateness that the health screen sums up
NOTES = 50


class Errors(NamedTuple):
    """Both ends' height errors at one instant, m; None: not known."""

    time_s: float
    left_m: float | None
    right_m: float | None


class Spot(NamedTuple):
    """Where the reference lay under the master bar at one place of the way, m (left > 0)."""

    way_m: float
    lateral_m: float | None


@dataclass
class Known:
    """Frames go into `take`; screens read the rest."""

    hello: Hello | None = None
    beat: Beat | None = None
    devices: Devices | None = None
    host: Host | None = None
    lost: str = ""
    sound: str = ""  # 'sound: aplay', or 'no sound: ...' and why
    errors: deque[Errors] = field(default_factory=deque)
    trace: deque[Spot] = field(default_factory=deque)
    late: deque[tuple[float, float]] = field(default_factory=deque)  # time, lateness
    notes: deque[str] = field(default_factory=lambda: deque(maxlen=NOTES))
    answers: deque[Answer] = field(default_factory=lambda: deque(maxlen=NOTES))
    checks: list[Check] = field(default_factory=list)

    @property
    def tick(self) -> Tick | None:
        return None if self.beat is None else self.beat.tick

    def age_s(self, now_s: float) -> float:
        """Age of the newest tick; infinite before the first."""
        return math.inf if self.beat is None else max(now_s - self.beat.tick.time_s, 0.0)

    def fresh(self, now_s: float) -> bool:
        """True while the newest tick may be shown as the present."""
        return not self.lost and self.age_s(now_s) <= FRESH_S

    def bar(self, side: Side) -> BarTick | None:
        """The newest word of one bar."""
        if self.tick is None:
            return None
        return next((bar for bar in self.tick.bars if bar.end is side), None)

    def take(self, frames: Iterable[FromLoop]) -> None:
        """Fold frames in."""
        for frame in frames:
            match frame:
                case Beat():
                    self._beat(frame)
                case Hello():
                    self.hello = frame
                case Devices():
                    self.devices = frame
                case Host():
                    self.host = frame
                case Note():
                    self.notes.append(frame.text)
                case Told():
                    self.answers.append(frame.answer)
                case Bye():
                    self.lost = frame.why

    def _beat(self, beat: Beat) -> None:
        self.beat, tick = beat, beat.tick
        newest = self.checks[-1].number if self.checks else None
        if tick.check is not None and tick.check.number != newest:
            self.checks.append(tick.check)
        self.late.append((tick.time_s, beat.late_s))
        while self.late[0][0] < tick.time_s - LATE_S:
            self.late.popleft()
        if not self.errors or tick.time_s - self.errors[-1].time_s >= KEEP_EVERY_S:
            self.errors.append(Errors(tick.time_s, tick.left.error_m, tick.right.error_m))
        while self.errors[0].time_s < tick.time_s - HISTORY_S:
            self.errors.popleft()
        self._spot(tick)

    def _spot(self, tick: Tick) -> None:
        way = tick.distance_m
        if way is None:
            return
        if self.trace and abs(way - self.trace[-1].way_m) < TRACE_STEP_M:
            self.trace[-1] = Spot(self.trace[-1].way_m, tick.steer_m)
            return
        self.trace.append(Spot(way, tick.steer_m))
        while abs(self.trace[0].way_m - way) > TRACE_M:
            self.trace.popleft()
