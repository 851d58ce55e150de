"""Way and speed from a wheel that senses its direction, or from pulses of a track, behind
protocols.MotionSensor. Forward > 0; the way is the signed sum.

The edges come from the pin's interrupts with their times; `read` only counts them up.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, Protocol

from drivers.errors import DeviceError
from drivers.inputs import GpioInput, Pin
from drivers.samples import MotionSample, Validity

WINDOW_S = 0.1  # of edges that the speed is taken over
STILL_S = 0.5  # s without an edge: standing
RETRY_S = 0.25  # s between two tries to open the pins
KEEP = 4096  # edges kept between two reads; beyond it they are lost and counted
CYCLE = 4  # counts of one whole cycle of a wheel with two tracks
SCALE_OFF = 0.1  # share by which two marks may correct the pitch: more is a wrong mark
MARKS_APART_M = 5.0  # way between two marks from which on they correct the pitch

Listener = Callable[[bool, float], None]

# (a, b) before and after: forward a leads b. What is not here is no step of a wheel.
STEPS = {
    (0, 0, 1, 0): 1, (1, 0, 1, 1): 1, (1, 1, 0, 1): 1, (0, 1, 0, 0): 1,
    (0, 0, 0, 1): -1, (0, 1, 1, 1): -1, (1, 1, 1, 0): -1, (1, 0, 0, 0): -1,
}  # fmt: skip


class EdgePin(Pin, Protocol):
    """An input that reports its changes, with level and time (s, our clock), from any thread."""

    def listen(self, listener: Listener, /) -> None: ...


class GpioEdges(GpioInput):
    """An input of the header that reports its edges; clock: ours, read where the edge arrives."""

    def __init__(
        self, number: int, clock: Callable[[], float], closed_is_low: bool = True,
        factory: Any = None,
    ) -> None:  # fmt: skip
        super().__init__(number, closed_is_low, factory)
        self._clock = clock

    def listen(self, listener: Listener, /) -> None:
        self.device.when_activated = lambda: listener(True, self._clock())
        self.device.when_deactivated = lambda: listener(False, self._clock())


class Edge(NamedTuple):
    """A change of pin 0 or 1."""

    pin: int
    high: bool
    time_s: float


class Quadrature:
    """Edges of two tracks to counts. `missed`: edges that no wheel can give, so one was lost."""

    def __init__(self, a: bool, b: bool) -> None:
        self._now = (int(a), int(b))
        self.missed = 0

    def edge(self, edge: Edge) -> int:
        """-1, 0 or 1."""
        a, b = self._now
        after = (int(edge.high), b) if edge.pin == 0 else (a, int(edge.high))
        step = STEPS.get((a, b, *after), 0)
        self.missed += step == 0
        self._now = after
        return step


class Wheel:
    """A wheel of two tracks, or pulses of one with a pin that says backward.

    pitch_m: way of one whole cycle. open_pins gives (a, b) or, for pulses, (pulse, backward).
    counts: missed, lost, failed, close.
    """

    def __init__(
        self,
        name: str,
        open_pins: Callable[[], tuple[EdgePin, EdgePin]],
        pitch_m: float,
        pulses: bool = False,
    ) -> None:
        if not 1e-4 <= pitch_m <= 2.0:
            raise DeviceError(f"a pitch of {1e3 * pitch_m:g} mm is no wheel's; 0.1 to 2000 mm are")
        self.name = name
        self.counts: Counter[str] = Counter()
        self.trouble: str | None = None
        self._open_pins, self._pulses = open_pins, pulses
        self._step_m = pitch_m if pulses else pitch_m / CYCLE
        self._edges: deque[Edge] = deque(maxlen=KEEP)  # appended by the pins' thread
        self._heard = self._seen = 0  # edges, by that thread and by this one
        self._count = self._base = 0
        self._zero_m = 0.0
        self._mark: tuple[float, int] | None = None  # chainage, count
        self._steps: deque[tuple[float, int]] = deque()  # time, count after it
        self._pins: tuple[EdgePin, EdgePin] | None = None
        self._retry_s = -math.inf
        self._open()

    @property
    def pitch_m(self) -> float:
        """Way of one whole cycle, as corrected by marks."""
        return self._step_m if self._pulses else self._step_m * CYCLE

    @property
    def distance_m(self) -> float:
        """Way up to the last read."""
        return self._zero_m + (self._count - self._base) * self._step_m

    def read(self, now_s: float) -> Sequence[MotionSample]:
        """One sample: the way and speed by now. None while the pins cannot be read."""
        try:
            if self._pins is None:
                if now_s < self._retry_s:
                    return []
                self._open()
            backward = self._backward()
        except OSError as error:
            self.counts["failed"] += 1
            self.trouble = f"{self.name}: {error}"
            self._drop()
            self._retry_s = now_s + RETRY_S
            return []
        self.trouble = None
        self._drain(backward)
        speed = self._speed(now_s)
        return [MotionSample(self.name, now_s, Validity.OK, speed, self.distance_m)]

    def at_mark(self, chainage_m: float) -> float:
        """The wheel stands at a marked pin: correct the way, and by two marks the pitch too.

        Gives by how much the way was off (m). Fails where the marks cannot both be right.
        """
        off = chainage_m - self.distance_m
        if self._mark is not None:
            true_m, counts = chainage_m - self._mark[0], self._count - self._mark[1]
            if abs(true_m) >= MARKS_APART_M:
                scale = true_m / (counts * self._step_m) if counts else math.inf
                if not abs(scale - 1.0) <= SCALE_OFF:
                    raise DeviceError(
                        f"the wheel counted {counts * self._step_m:.2f} m between two marks "
                        f"{true_m:.2f} m apart; look whether it slips and whether this is the mark"
                    )
                self._step_m *= scale
        self._mark = (chainage_m, self._count)
        self._zero_m, self._base = chainage_m, self._count
        return off

    def close(self) -> None:
        """Let go of the pins."""
        self._drop()
        self._retry_s = math.inf

    def _open(self) -> None:
        a, b = self._pins = self._open_pins()
        try:
            self._decode = Quadrature(a.read(), b.read())
            a.listen(lambda high, t: self._hear(Edge(0, high, t)))
            if not self._pulses:
                b.listen(lambda high, t: self._hear(Edge(1, high, t)))
        except OSError:
            self._drop()
            raise

    def _hear(self, edge: Edge) -> None:
        """In the pins' thread."""
        self._edges.append(edge)
        self._heard += 1

    def _backward(self) -> bool:
        """For pulses: the pin that says it. For tracks: only that the pins are still there."""
        if self._pins is None:
            return False
        self._pins[0].read()
        return self._pins[1].read() and self._pulses

    def _drain(self, backward: bool) -> None:
        waiting, heard = len(self._edges), self._heard
        lost = heard - self._seen - waiting
        self._seen = heard
        self.counts["lost"] += max(lost, 0)
        for _ in range(waiting):
            edge = self._edges.popleft()
            step = self._pulse(edge, backward) if self._pulses else self._decode.edge(edge)
            if step:
                self._count += step
                self._steps.append((edge.time_s, self._count))
        self.counts["missed"] = self._decode.missed
        while len(self._steps) > 2 and self._steps[0][0] < self._steps[-1][0] - WINDOW_S:
            self._steps.popleft()

    def _pulse(self, edge: Edge, backward: bool) -> int:
        if not edge.high:
            return 0
        return -1 if backward else 1

    def _speed(self, now_s: float) -> float:
        """Over the last edges; no faster than the silence since the last one allows."""
        steps = self._steps
        if steps and now_s - steps[-1][0] > STILL_S:
            steps.clear()
        if len(steps) < 2:
            return 0.0
        (start_s, before), (end_s, after) = steps[0], steps[-1]
        if end_s <= start_s:
            return 0.0
        speed = (after - before) * self._step_m / (end_s - start_s)
        silent_s = now_s - end_s
        limit = self._step_m / silent_s if silent_s > 0.0 else math.inf
        return min(max(speed, -limit), limit)

    def _drop(self) -> None:
        pins, self._pins = self._pins, None
        self._steps.clear()
        for pin in pins or ():
            try:
                pin.close()
            except OSError:
                self.counts["close"] += 1
