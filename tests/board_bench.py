"""A board under MicroPython on a bench: the driver's own loop, and a hand that says anything."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import serial

from drivers.board import codec
from drivers.board_devices import BoardBar, BoardInertial, BoardInputs, BoardValves
from drivers.board_link import BoardLink
from drivers.samples import AnySample, ValveCommand
from drivers.standins.board_process import BoardProcess

PATIENCE_S = 20.0
TURN_S = 0.005
Told = TypeVar("Told")


class Loop:
    """The driver's loop in this process."""

    def __init__(self, board: BoardProcess) -> None:
        self.link = BoardLink(str(board.path))
        self.devices = (
            BoardBar(self.link, "bar"),
            BoardInertial(self.link, "imu"),
            BoardInputs(self.link, "driver"),
        )
        self.valves = BoardValves(self.link)
        self.samples: list[AnySample] = []

    def until(self, done: Callable[[], bool], left: float = 0.0) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while not done():
            now_s = time.monotonic()
            assert now_s < until_s, (self.link.why, self.link.why_off, self.link.told)
            for device in self.devices:
                self.samples += device.read(now_s)
            self.valves.write(ValveCommand(now_s, left, 0.0))
            time.sleep(TURN_S)

    def of(self, kind: type[Told]) -> list[Told]:
        return [sample for sample in self.samples if isinstance(sample, kind)]


class Hand:
    """Frames put together by hand, to say what the driver never would."""

    def __init__(self, board: BoardProcess) -> None:
        self.port = serial.Serial(str(board.path), timeout=0)
        self.decoder = codec.Decoder()
        self.last: dict[int, tuple[int | bytes, ...]] = {}
        self.sequence = 0
        self.say(codec.HELLO, codec.VERSION, 7, 0, 0, 0, bytes(8))
        self.until(lambda: codec.HELLO in self.last and codec.PING in self.last)
        self.boot = self.last[codec.HELLO][1]

    def say(self, kind: int, *fields: int | bytes) -> None:
        self.sequence = (self.sequence + 1) & 255
        self.port.write(codec.pack(kind, self.sequence, *fields))

    def valves(self, left: int, ping: int | None = None) -> None:
        newest = self.last[codec.PING][1]
        self.say(codec.VALVES, self.boot, newest if ping is None else ping, left, 0)

    def turn(self) -> None:
        for frame in self.decoder.feed(self.port.read(4096)):
            self.last[frame.kind] = frame.fields
        time.sleep(TURN_S)

    def until(self, done: Callable[[], bool], each: Callable[[], None] | None = None) -> None:
        until_s = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < until_s, self.last
            if each is not None:
                each()
            self.turn()

    def status(self, place: int) -> int:
        return int(self.last.get(codec.STATUS, (0,) * 10)[place])

    def arm(self) -> None:
        """From silence: what was told before is not taken for the answer."""
        self.last.pop(codec.STATUS, None)
        self.say(codec.ARM, self.boot, 1)
        self.until(lambda: self.status(1) == codec.ARMED)


def level(board: BoardProcess, what: str) -> int:
    """The last level of an output on record; they start low."""
    return next((event.value for event in reversed(board.record()) if event.what == what), 0)


def ever_on(board: BoardProcess) -> bool:
    return any(e.value > 0 for e in board.record() if e.what.startswith(("pin", "pwm")))
