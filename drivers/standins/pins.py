"""Pins as contacts and wires: bouncing switches, a watchdog relay, a wheel with two tracks."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from drivers.errors import DeviceError

Clock = Callable[[], float]


class StandInPin:
    """An input. `press` bounces: the contact chatters for a while before it rests."""

    def __init__(self, clock: Clock, closed: bool = False) -> None:
        self._clock, self._closed = clock, closed
        self._changed_s = -math.inf
        self._bounce_s = 0.0
        self.plugged = True
        self.closed = 0
        self.listener: Callable[[bool, float], None] | None = None

    def press(self, closed: bool, bounce_s: float = 0.0) -> None:
        """Close or open the contact; it chatters at 1 kHz for bounce_s."""
        changed = closed != self._closed
        self._closed, self._changed_s, self._bounce_s = closed, self._clock(), bounce_s
        if changed and self.listener is not None and self.plugged:
            self.listener(closed, self._clock())

    def read(self) -> bool:
        if not self.plugged:
            raise DeviceError("the pin is gone")
        since = self._clock() - self._changed_s
        if since < self._bounce_s:
            return self._closed if int(since * 1000) % 2 == 0 else not self._closed
        return self._closed

    def listen(self, listener: Callable[[bool, float], None]) -> None:
        """Call with level and time at each change, as an interrupt would."""
        if not self.plugged:
            raise DeviceError("the pin is gone")
        self.listener = listener

    def close(self) -> None:
        self.closed += 1
        self.listener = None


class StandInOutput:
    """An output that records what it was told, and when."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.plugged = True
        self.told: deque[tuple[float, bool]] = deque(maxlen=10_000)

    def set(self, high: bool) -> None:
        if not self.plugged:
            raise DeviceError("the pin is gone")
        self.told.append((self._clock(), high))

    def close(self) -> None:
        self.plugged = False


class WatchdogRelay(StandInOutput):
    """A relay that holds only while its pin goes on changing: a monostable started by each edge."""

    def __init__(self, clock: Clock, hold_s: float = 0.2) -> None:
        super().__init__(clock)
        self.hold_s = hold_s
        self._edge_s = -math.inf
        self._high: bool | None = None

    def set(self, high: bool) -> None:
        super().set(high)
        if self._high is not None and high != self._high:
            self._edge_s = self._clock()
        self._high = high

    def holds(self) -> bool:
        """The output-enable that it gives."""
        return self._clock() - self._edge_s <= self.hold_s


class StandInWheel:
    """A wheel with two tracks a quarter of a pitch apart; rolls where it is told.

    pitch_m: way for one whole cycle of a track, four counts. Forward: a leads b.
    """

    def __init__(self, clock: Clock, pitch_m: float) -> None:
        self.a, self.b = StandInPin(clock), StandInPin(clock)
        self._quarter_m = pitch_m / 4
        self._quarter = 0
        self._levels()

    def roll(self, distance_m: float) -> None:
        """To this distance from the start, through every edge on the way."""
        wanted = math.floor(distance_m / self._quarter_m + 1e-9)
        while self._quarter != wanted:
            self._quarter += 1 if wanted > self._quarter else -1
            self._levels()

    def _levels(self) -> None:
        at = self._quarter % 4
        self.a.press(at in (1, 2))
        self.b.press(at in (2, 3))
