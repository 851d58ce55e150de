"""The companion board at the far end of a StandInLine, on virtual time and with a clock of its own.

It speaks the protocol of docs/board-protocol.md, keeps the lease, and records in `outputs` each
change of the valves with its time. The board's own program is run by board_process.py.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from drivers.board import codec
from drivers.standins.serial_port import StandInLine

STALE_S, LEASE_S = codec.STALE_MS * 1e-3, codec.LEASE_MS * 1e-3
PERIODS_S = {codec.PING: 0.025, codec.INPUTS: 0.0193, codec.INERTIAL: 0.02, codec.STATUS: 0.1}
LEVEL = (0, 0, 8192, -521, 0, 0, 0)  # an MPU-6050 at rest: +1 g, 35.0 degrees C
# 1 sigma: 1 mm of range there and back; 400 ug and 0.005 deg/s a root hertz in 44 Hz (from memory)
FLIGHT_US, LEVEL_LSB = 6.0, (27.0, 27.0, 27.0, 0.0, 5.4, 5.4, 5.4)


class BoardTalker:
    """`offset_s` and `drift` make its clock, `late_s` the longest that a frame lies about.

    noise: echoes and the inertial words spread as real ones do; else they are the same each time.
    """

    def __init__(
        self, line: StandInLine, *, offset_s: float = 0.0, drift: float = 0.0, late_s: float = 0.0,
        noise: bool = False,
    ) -> None:  # fmt: skip
        self.line = line
        self.offset_s, self.drift, self.late_s = offset_s, drift, late_s
        self.flights: list[tuple[int, ...]] = [(3500,), (3600,), (3700,), (), (3900, 5000)]
        self.bits = codec.ENABLE
        self.version, self.flags, self.identity = codec.VERSION, codec.HARD_TIMER, b"TALKER_1"
        self.boot = 1
        self.heard: list[tuple[float, int, tuple[int | bytes, ...]]] = []
        self.outputs: list[tuple[float, int, int]] = []
        self.fired_s: list[float] = []
        self.first_s: list[float] = []  # of each batch of inertial readings
        self.deaf = self.dumb = False
        self.random = random.Random(4)
        self.noise = noise
        self.garble: Callable[[bytes], bytes] = bytes
        self.periods = dict(PERIODS_S)
        self.restart()
        line.talker = self

    def restart(self) -> None:
        """A new start, as by power or by the watchdog: off, and silent until greeted."""
        self.boot += 1
        self._decoder = codec.Decoder()
        self._talking = False
        self._armed, self._why, self._renewed_s = 0, codec.WHY_BOOT, 0.0
        self._next = dict.fromkeys(self.periods, 0.0)
        self._pings: dict[int, float] = {}
        self._ping = self._stale = self._sequence = 0

    def ticks(self, now_s: float) -> int:
        return round((now_s + self.offset_s + self.drift * now_s) * 1e6) % codec.TICKS

    def advance(self, now_s: float) -> None:
        for kind, period_s in self.periods.items():
            while self._talking and self._next[kind] <= now_s:
                self._due(kind, self._next[kind])
                self._next[kind] += period_s
        if self._armed and now_s - self._renewed_s > LEASE_S:
            self._off(codec.WHY_LEASE, self._renewed_s + LEASE_S)

    def hear(self, data: bytes, now_s: float) -> None:
        there_s = now_s + len(data) * 10.0 / self.line.baud
        for frame in [] if self.deaf else self._decoder.feed(data):
            self.heard.append((there_s, frame.kind, frame.fields))
            self._take(frame, there_s)

    def held_low(self, low: bool, now_s: float) -> None:
        """A break means nothing here."""

    def _take(self, frame: codec.Frame, now_s: float) -> None:
        fields = frame.fields
        if frame.kind == codec.HELLO:
            self._talking = fields[0] == self.version
            self._next = dict.fromkeys(self.periods, now_s)
            self._off(codec.WHY_SESSION, now_s)
            hello = (self.version, self.boot, 5, codec.MPU6050, self.flags, self.identity)
            self._say(now_s, codec.HELLO, *hello)
        elif frame.kind == codec.ARM and fields[0] == self.boot:
            if fields[1]:
                self._armed, self._why, self._renewed_s = 1, codec.WHY_ARMED, now_s
            else:
                self._off(codec.WHY_TOLD, now_s)
            self._due(codec.STATUS, now_s)
        elif frame.kind == codec.VALVES and fields[0] == self.boot and self._armed:
            self._valves(now_s, *fields[1:])
        elif frame.kind == codec.SYNC:
            self._say(now_s, codec.SYNCED, self.ticks(now_s), self.ticks(now_s), fields[0])

    def _valves(self, now_s: float, ping: int, left: int, right: int) -> None:
        if now_s - self._pings.get(ping, float("-inf")) > STALE_S:
            self._stale += 1
            return
        self._renewed_s = now_s
        if not self.outputs or self.outputs[-1][1:] != (left, right):
            self.outputs.append((now_s, left, right))

    def _off(self, why: int, at_s: float) -> None:
        self._armed, self._why = 0, why
        if self.outputs and self.outputs[-1][1:] != (0, 0):
            self.outputs.append((at_s, 0, 0))

    def _due(self, kind: int, at_s: float) -> None:
        now = self.ticks(at_s)
        if kind == codec.PING:
            element = self._ping % len(self.flights)
            self._ping = (self._ping + 1) & 0xFFFF
            self._pings[self._ping] = at_s - 0.012
            self.fired_s.append(at_s - 0.012)
            heard = [round(self._spread(flight, FLIGHT_US)) for flight in self.flights[element]]
            four = (*heard, 0, 0, 0, 0)[: codec.ECHOES]
            count, fired = len(self.flights[element]), self.ticks(at_s - 0.012)
            self._say(at_s, kind, now, self._ping, element, count, fired, *four)
        elif kind == codec.INPUTS:
            self._say(at_s, kind, now, self.bits)
        elif kind == codec.INERTIAL:
            words = [word for n in range(codec.BATCH) for word in (5000 * n, *self._felt())]
            first = self.ticks(at_s - 0.015)
            self.first_s.append(at_s - 0.015)
            self._say(at_s, kind, now, codec.MPU6050, codec.BATCH, first, *words)
        else:
            self._say(at_s, kind, now, self._armed, self._why, 0, 0, self._stale, 0, 0, 0, 0)

    def _spread(self, value: float, sigma: float) -> float:
        return self.random.gauss(value, sigma) if self.noise else value

    def _felt(self) -> list[int]:
        return [
            round(self._spread(raw, sigma)) for raw, sigma in zip(LEVEL, LEVEL_LSB, strict=True)
        ]

    def _say(self, at_s: float, kind: int, *fields: int | bytes) -> None:
        self._sequence = (self._sequence + 1) & 255
        if not self.dumb and (self._talking or kind == codec.HELLO):
            data = self.garble(codec.pack(kind, self._sequence, *fields))
            self.line.say(data, at_s + self.random.uniform(0.0, self.late_s))
