"""The compact text view: `python -m tui.text TICKS_FD REQUESTS_FD`, started by the run.

It reads ticks from one pipe and writes its wish to stop to the other. Without a terminal on
standard output it prints a line a second instead.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import msgspec

from firmware_py.live.cautions import READ_S
from firmware_py.live.lines import show
from firmware_py.live.pipes import FrameReader, FrameWriter, Hello, Kind
from firmware_py.messages import Tick
from tui.text_screen import Known, screen

DRAW_S = 0.1  # between two drawings: quicker than anyone reads
ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J"  # the other screen, no cursor, clear
LEAVE = "\x1b[?25h\x1b[?1049l"
QUIT_KEYS = frozenset(b"qQ")
PLAIN = str.maketrans("▁━▔·", "_=^.")  # for a terminal that cannot show the others


class Screen:
    """Writes only the lines that changed, so that nothing flickers."""

    def __init__(self, fd: int, encoding: str) -> None:
        self._fd, self._encoding = fd, encoding
        self._shown: list[str] = []
        self._size = os.terminal_size((0, 0))
        self._plain = not _can_show(encoding)

    def size(self) -> os.terminal_size:
        """The terminal's present size; a new one clears what was shown."""
        size = os.get_terminal_size(self._fd)
        if size != self._size:
            self._size, self._shown = size, []
        return size

    def draw(self, lines: list[str]) -> None:
        """Bring the screen to these lines in one write."""
        out = "" if self._shown else "\x1b[2J"
        old = self._shown or [""] * len(lines)
        for number, (line, before) in enumerate(zip(lines, old, strict=True), start=1):
            if line != before:
                out += f"\x1b[{number};1H{line}\x1b[K"
        self._shown = lines
        if out:
            text = out.translate(PLAIN) if self._plain else out
            _write_all(self._fd, text.encode(self._encoding, "replace"))


def _can_show(encoding: str) -> bool:
    try:
        "▁━▔·".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _write_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]


@contextmanager
def terminal(keys_fd: int | None, out_fd: int) -> Iterator[None]:
    """Single keys and the other screen while the block runs; all put back however it ends."""
    before = termios.tcgetattr(keys_fd) if keys_fd is not None else None
    try:
        if keys_fd is not None:
            tty.setcbreak(keys_fd, termios.TCSANOW)
        _write_all(out_fd, ENTER.encode())
        yield
    finally:
        with suppress(OSError):
            _write_all(out_fd, LEAVE.encode())
        if keys_fd is not None and before is not None:
            with suppress(termios.error):
                termios.tcsetattr(keys_fd, termios.TCSADRAIN, before)


class TextView:
    """Ticks in, lines out, one key back."""

    def __init__(self, ticks: FrameReader, requests: FrameWriter, keys_fd: int | None) -> None:
        self._ticks, self._requests, self._keys = ticks, requests, keys_fd
        self._tick_decoder = msgspec.msgpack.Decoder(Tick)
        self._hold_until_s = time.monotonic() + READ_S
        self._newest: Tick | None = None
        self.known = Known()

    def run(self, out: Screen) -> None:
        """Until the loop closes its pipe."""
        due = time.monotonic()
        while not self._ticks.ended:
            self._listen(due)
            self._hear()
            if (now := time.monotonic()) >= due:
                due = now + DRAW_S
                width, height = out.size()
                out.draw(screen(self._seen(now), width, height))

    def _listen(self, due: float) -> None:
        """Wait for a key, or until it is time to draw. Ticks wait in the pipe, many at a time."""
        wait = max(0.0, due - time.monotonic())
        if self._keys is None:
            time.sleep(wait)
            return
        ready, _, _ = select.select([self._keys], [], [], wait)
        if not ready:
            return
        keys = os.read(self._keys, 64)
        if not keys:
            self._keys = None  # the terminal's input has ended
        elif QUIT_KEYS & set(keys) and not self.known.stopping:
            self.known.stopping = self._requests.send(Kind.STOP, None)

    def _hear(self) -> None:
        for kind, data in self._ticks.frames():
            if kind == Kind.TICK:
                self._newest = self._tick_decoder.decode(data)
            elif kind == Kind.HELLO:
                self.known.hello = msgspec.msgpack.decode(data, type=Hello)
            elif kind == Kind.NOTE:
                self.known.notes.append(msgspec.msgpack.decode(data, type=str))

    def _seen(self, now: float) -> Known:
        """The cautions stand alone for a while; nothing moves so long."""
        if self._newest is not None and now >= self._hold_until_s:
            self.known.tick = self._newest
            self.known.age_s = max(0.0, now - self._newest.time_s)
        return self.known


def _leave(number: int, _: object) -> None:
    raise SystemExit(128 + number)


def main() -> None:
    """Ctrl-C is the loop's business, which then closes the pipe; Ctrl-Z would freeze the loop."""
    for number in (signal.SIGINT, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _leave)
    ticks_fd, requests_fd = int(sys.argv[1]), int(sys.argv[2])
    out_fd = sys.stdout.fileno()
    if not os.isatty(out_fd):
        show(ticks_fd, as_json=False)
        return
    keys_fd = sys.stdin.fileno() if sys.stdin is not None and sys.stdin.isatty() else None
    view = TextView(FrameReader(ticks_fd), FrameWriter(requests_fd), keys_fd)
    with terminal(keys_fd, out_fd):
        view.run(Screen(out_fd, sys.stdout.encoding))


if __name__ == "__main__":
    main()
