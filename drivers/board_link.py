"""The companion board as the loop sees it: bar, inertial sensor, driver's inputs and valves.

The wire is told in docs/board-protocol.md; drivers/board/ has the program at its other end. Every
`read` moves the one link on: it greets, asks for the time, sends the gate, and never waits.
"""

from __future__ import annotations

import math
import os
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence

from drivers.board import codec
from drivers.board.codec import Frame
from drivers.board_clock import GOOD_S, BoardClock
from drivers.board_samples import identity_of, inertial, inputs, pings, trouble
from drivers.port import LineOpener, Port, open_line
from drivers.samples import DriverSample, InertialSample, RangePing

GREET_S = 0.2  # between greetings that nobody answers
SYNC_S = 0.05
GATE_S = 1.0  # the gate is told again: a frame may be lost
ARM_S = 0.1
SILENT_S = 0.5  # a board that says nothing for so long is greeted anew; it tells inputs each 19 ms
KEEP = 256  # samples of a kind that wait to be read; the oldest go first


class BoardLink:
    """The cable to one board. `why` says in a sentence what is wrong, or is empty.

    counts: what was dropped and why, both ways; `told` is the board's own last status, by field.
    """

    def __init__(
        self,
        path: str,
        baud: int = 460_800,
        *,
        usb: bool = True,
        identity: bytes | None = None,
        opener: LineOpener = open_line,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.port = Port(path, baud, opener)
        self.clock = BoardClock()
        self.own: Counter[str] = Counter()
        self.identity = b""
        self.pings: deque[RangePing] = deque(maxlen=KEEP)
        self.inertial: deque[InertialSample] = deque(maxlen=KEEP)
        self.driver: deque[DriverSample] = deque(maxlen=KEEP)
        self.armed = False
        self.told: dict[str, int] = {}
        self.names = {"bar": "bar", "inertial": "inertial", "driver": "driver"}
        self._clock = clock  # bytes come and go after the tick's `now_s`: only this tells when
        self._byte_s = 0.0 if usb else self.port.byte_s
        self._wanted = identity
        self._decoder = codec.Decoder()
        self._session = int.from_bytes(os.urandom(4), "little")
        self._trouble = ""
        self._sequence = 0
        self._opened = 0
        self._gate: tuple[int, int, int, int] | None = None
        self._asked: deque[tuple[int, float]] = deque(maxlen=64)
        self._mark = 0
        self._stepped_s = self._heard_s = self._greeted_s = self._synced_s = -math.inf
        self._gate_s = self._armed_s = -math.inf
        self._boot: int | None = None
        self._ping: int | None = None

    @property
    def greeted(self) -> bool:
        return self._boot is not None

    @property
    def why(self) -> str:
        """What stands between us and a working board; empty when nothing does."""
        if not self.port.is_open:
            return self.port.why
        if self._trouble:
            return self._trouble
        if not self.greeted:
            return f"the board at {self.port.path} does not answer; is its program on it?"
        if self.clock.bound_s > GOOD_S:
            return "the board's clock is not mapped to ours within 1 ms yet"
        return ""

    @property
    def why_off(self) -> str:
        """Why the board keeps the valves shut; empty while it is armed."""
        if self.armed:
            return ""
        off = self.told.get("why", codec.WHY_BOOT)
        return codec.WHY_OFF[off] if off < len(codec.WHY_OFF) else f"reason {off}, unknown here"

    @property
    def counts(self) -> Counter[str]:
        words = zip(codec.BAD_WORDS, self._decoder.bad, strict=True)
        bad = {f"bad {word}": count for word, count in words}
        also = {
            "good": self._decoder.good,
            "lost": self._decoder.lost,
            "repeated": self._decoder.repeated,
            "clock jumped": self.clock.jumps,
            "port lost": self.port.counts["lost"],
        }
        return self.own + Counter(bad) + Counter(also)

    def step(self, now_s: float) -> None:
        """Take what has come and send what is due; once an instant, whoever asks."""
        if now_s <= self._stepped_s:
            return
        self._stepped_s = now_s
        data = self.port.read(now_s)
        came_s = self._clock()
        if self.port.counts["opened"] != self._opened:
            self._opened = self.port.counts["opened"]
            self._decoder.restart()
            self._forget()
        for frame in self._decoder.feed(data):
            self._heard_s = now_s
            self._take(frame, came_s)
        if self.greeted and now_s - self._heard_s > SILENT_S:
            self.own["fell silent"] += 1
            self._forget()
        if self.port.is_open:
            self._send_due(now_s)

    def gate(self, near_s: float, far_s: float, period_s: float, elements: int) -> None:
        """Blank echoes outside these flights; fire one of the first so many elements a period.

        What the wire cannot say raises; what the board cannot do it refuses and counts as beyond.
        """
        near, far = round(near_s * 1e6), round(far_s * 1e6)
        gate = near, far, round(period_s * 1e5), (1 << elements) - 1
        if not all(0 <= value <= 0xFFFF for value in gate):
            raise ValueError(f"a gate of {near} to {far} us each {period_s} s is beyond the wire")
        self._gate = gate
        self._gate_s = -math.inf

    def command(self, left: float, right: float, now_s: float) -> None:
        """Command the valves; from neutral alone is the board armed."""
        words = self._words(left), self._words(right)
        if self._boot is None or self._ping is None:
            self.own["no board to command"] += 1
        elif self.armed:
            self._send(codec.VALVES, now_s, self._boot, self._ping, *words)
        elif words != (0, 0):
            self.own["not armed: a neutral command must come first"] += 1
        elif now_s - self._armed_s >= ARM_S:
            self._armed_s = now_s
            self._send(codec.ARM, now_s, self._boot, 1)

    def close(self) -> None:
        """Disarm and let go."""
        if self._boot is not None:
            self._send(codec.ARM, self._stepped_s, self._boot, 0)
        self.port.close()
        self._forget()

    def _words(self, value: float) -> int:
        """Per mille of full opening; what is no command is neutral."""
        if not -1.0 <= value <= 1.0:  # false for NaN as well
            self.own["command beyond full"] += 1
            return 0
        return round(value * codec.FULL)

    def _forget(self) -> None:
        """As before the greeting."""
        self._boot = self._ping = None
        self._heard_s = self._greeted_s = self._synced_s = -math.inf
        self._gate_s = self._armed_s = -math.inf
        self.armed = False
        self.told = {}
        self.clock.restart()
        self._asked.clear()

    def _send_due(self, now_s: float) -> None:
        if self._boot is None:
            if now_s - self._greeted_s >= GREET_S:
                self._greeted_s = now_s
                self._send(codec.HELLO, now_s, codec.VERSION, self._session, 0, 0, 0, bytes(8))
            return
        if now_s - self._synced_s >= SYNC_S:
            self._synced_s = now_s
            self._mark = (self._mark + 1) & 0xFFFFFFFF
            asked_s = self._clock()
            size = self._send(codec.SYNC, now_s, self._mark)
            self._asked.append((self._mark, asked_s + size * self._byte_s))
        if self._gate is not None and now_s - self._gate_s >= GATE_S:
            self._gate_s = now_s
            self._send(codec.GATE, now_s, *self._gate)

    def _send(self, kind: int, now_s: float, *fields: int | bytes) -> int:
        self._sequence = (self._sequence + 1) & 255
        data = codec.pack(kind, self._sequence, *fields)
        if not self.port.write(data, now_s):
            self.own["not sent"] += 1
        return len(data)

    def _take(self, frame: Frame, came_s: float) -> None:
        if frame.kind == codec.HELLO:
            self._hello(frame.fields)
        elif self._boot is None:
            self.own["before the greeting"] += 1
        else:
            sent, *fields = frame.fields
            self.clock.came(sent, came_s - frame.size * self._byte_s)
            self._tell(frame.kind, sent, fields)
            if frame.kind == codec.STATUS:
                self._take_status(fields)
            elif frame.kind == codec.SYNCED:
                self._take_sync(fields[0], fields[1], came_s)

    def _tell(self, kind: int, sent: int, fields: list[int]) -> None:
        ours_s = self.clock.ours_s
        if kind == codec.PING:
            self._ping = fields[0]
            self.pings.extend(pings(self.names["bar"], fields, ours_s))
        elif kind == codec.INERTIAL:
            self.inertial.extend(inertial(self.names["inertial"], fields, ours_s))
        elif kind == codec.INPUTS:
            self.driver.extend(inputs(self.names["driver"], sent, fields[0], ours_s))
        if self.clock.bound_s > GOOD_S:
            self.own["before the clock was mapped"] += 1

    def _hello(self, fields: tuple[int | bytes, ...]) -> None:
        self._trouble = trouble(fields, self._wanted, self.port.path)
        boot = int(fields[1])
        if self._trouble:
            self.own["refused greeting"] += 1
        elif boot != self._boot:
            self._forget()
            self._boot, self.identity = boot, identity_of(fields)
            self._heard_s = self._stepped_s
            self.own["greeted"] += 1

    def _take_status(self, fields: Sequence[int]) -> None:
        names = ("state", "why", "bad", "lost", "stale", "strange", "beyond", "offs", "unsent")
        self.told = dict(zip(names, fields, strict=True))
        self.armed = self.told["state"] == codec.ARMED

    def _take_sync(self, read: int, mark: int, came_s: float) -> None:
        for asked, asked_s in self._asked:
            if asked == mark:
                self.clock.was_read(read, asked_s, came_s)
