"""A process that prints a run line by line: `python -m firmware_py.live.lines FD FD [--json]`.

It reads frames from the first pipe until that ends and asks for nothing by the second. It is a
process of its own, because a full terminal or a slow pipe behind standard output must stall
nobody but itself.
"""

from __future__ import annotations

import math
import os
import select
import signal
import sys

import msgspec

from firmware_py.live.pipes import FrameReader, Hello, Kind
from firmware_py.live.words import FRESH_S, as_dict, line
from firmware_py.messages import Tick

EVERY_S = 1.0  # s of the loop's clock between two lines


class Printer:
    """Chooses which ticks are printed, and notices when none come."""

    def __init__(self, as_json: bool) -> None:
        self._json = as_json
        self._started_s: float | None = None
        self._due_s = -math.inf

    def frame(self, kind: int, data: bytes) -> str:
        """The line that a frame is worth; '' for none."""
        if kind == Kind.HELLO:
            self._started_s = msgspec.msgpack.decode(data, type=Hello).started_s
            return ""
        if kind == Kind.NOTE:
            text = msgspec.msgpack.decode(data, type=str)
            return self._encode({"note": text}) if self._json else f"Note: {text}"
        if kind != Kind.TICK:
            return ""
        return self._tick(msgspec.msgpack.decode(data, type=Tick))

    def _tick(self, tick: Tick) -> str:
        if self._started_s is None:
            self._started_s = tick.time_s
        if tick.time_s < self._due_s:
            return ""
        whole = math.floor((tick.time_s - self._started_s) / EVERY_S)
        self._due_s = self._started_s + (whole + 1) * EVERY_S
        if self._json:
            return self._encode(as_dict(tick, self._started_s))
        return line(tick, self._started_s)

    def silence(self) -> str:
        """The line for a second without a tick."""
        text = f"STALE: no tick for more than {max(EVERY_S, FRESH_S):.0f} s"
        return self._encode({"note": text}) if self._json else text

    def _encode(self, value: object) -> str:
        return msgspec.json.encode(value).decode()


def show(fd: int, as_json: bool) -> None:
    """Print until the pipe ends."""
    reader, printer = FrameReader(fd), Printer(as_json)
    begun = False
    while not reader.ended:
        ready, _, _ = select.select([fd], [], [], EVERY_S)
        if not ready and begun:
            print(printer.silence(), flush=True)
        for kind, data in reader.frames():
            begun = begun or kind == Kind.TICK
            if text := printer.frame(kind, data):
                print(text, flush=True)


def main() -> None:
    """Signals of the terminal are the loop's business: it closes the pipe."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    try:
        show(int(sys.argv[1]), "--json" in sys.argv[3:])
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # so that exiting does not complain again


if __name__ == "__main__":
    main()
