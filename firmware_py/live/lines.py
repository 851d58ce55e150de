"""A process that prints a run line by line: `python -m firmware_py.live.lines SOCKET [--json]`.

It looks at the link and asks for nothing. It is a process of its own, because a full terminal or
a slow pipe behind standard output must stall nobody but itself.
"""

from __future__ import annotations

import math
import os
import select
import signal
import sys
from pathlib import Path

import msgspec

from firmware_py.link.client import WAIT_S, Client, LinkError, wait_for
from firmware_py.link.frames import FRESH_S, Beat, Bye, FromLoop, Hello, Note
from firmware_py.live.words import as_dict, line
from firmware_py.messages import Tick

EVERY_S = 1.0  # s of the loop's clock between two lines


class Printer:
    """Chooses which ticks are printed, and notices when none come."""

    def __init__(self, as_json: bool) -> None:
        self._json = as_json
        self._started_s: float | None = None
        self._due_s = -math.inf

    def frame(self, frame: FromLoop) -> str:
        """The line that a frame is worth; '' for none."""
        match frame:
            case Hello(started_s=started):
                self._started_s = started
            case Note(text=text):
                return self._encode({"note": text}) if self._json else f"Note: {text}"
            case Beat(tick=tick):
                return self._tick(tick)
        return ""

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


def show(client: Client, as_json: bool) -> None:
    """Print until the loop has gone."""
    printer, begun = Printer(as_json), False
    while not client.lost:
        ready, _, _ = select.select([client], [], [], EVERY_S)
        if not ready and begun:
            print(printer.silence(), flush=True)
        for frame in client.poll():
            begun = begun or isinstance(frame, Beat)
            if text := printer.frame(frame):
                print(text, flush=True)
            if isinstance(frame, Bye):
                return


def main() -> None:
    """Signals of the terminal are the keeper's business: the link's end ends this."""
    for number in (signal.SIGINT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    try:
        wait_s = WAIT_S if "--wait" in sys.argv[2:] else 0.0
        client = wait_for(Path(sys.argv[1]), "lines", wait_s, looks=True)
        show(client, "--json" in sys.argv[2:])
    except LinkError as error:
        sys.exit(str(error))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # so that exiting does not complain again


if __name__ == "__main__":
    main()
