"""A serial port that never blocks, and that comes back after it was unplugged.

Name it by its place (/dev/serial/by-path/...): by number, two alike adapters swap at will. Bytes
are handed over as they come; who decodes them starts afresh when `counts["opened"]` has changed.
"""

from __future__ import annotations

import errno
import os
import select
import stat
import termios
from collections import Counter
from collections.abc import Callable
from typing import Protocol

FIRST_PAUSE, LONGEST_PAUSE = 0.2, 2.0  # s; a port that is gone is tried again after, and at most
CHUNK = 4096  # bytes a read takes at most: 40 ms of a line at 1 Mbaud
WAITING_MAX = 1024  # bytes that may wait to be written; more means that nobody takes them
PORT_ERRORS = (OSError, termios.error, ValueError)  # pyserial raises all three


class Line(Protocol):
    """The calls of an open serial.Serial that a Port uses; none may block."""

    break_condition: bool

    def read(self, size: int = ..., /) -> bytes: ...

    def write(self, data: bytes, /) -> int | None: ...

    def close(self) -> None: ...


LineOpener = Callable[[str, int], Line]


class SerialLine:
    """pyserial's port, 8N1, closed to other programs, whose calls never wait."""

    def __init__(self, path: str, baud: int) -> None:
        import serial

        self._serial = serial.Serial(path, baud, timeout=0, write_timeout=0, exclusive=True)

    @property
    def break_condition(self) -> bool:
        return self._serial.break_condition

    @break_condition.setter
    def break_condition(self, low: bool) -> None:
        self._serial.break_condition = low

    def read(self, size: int = 1, /) -> bytes:
        return self._serial.read(size)

    def write(self, data: bytes, /) -> int | None:
        # With write_timeout 0 pyserial 3.5 spins for ever on a full buffer (its issue 280).
        if not select.select([], [self._serial.fileno()], [], 0)[1]:
            return 0
        return self._serial.write(data)

    def close(self) -> None:
        self._serial.close()


def refusal(path: str, error: Exception) -> str:
    """Why a port does not open, and what would be right; pyserial's own words where none fit."""
    if not os.path.exists(path):
        return "nothing is plugged in at this place"
    if not stat.S_ISCHR(os.stat(path).st_mode):
        return "it is no serial port; a name in /dev/serial/by-path is right"
    number = getattr(error, "errno", None)
    if number in (errno.EACCES, errno.EPERM):
        return "not permitted; put this user into the group dialout, and log in anew"
    if number == errno.EBUSY or "lock" in str(error):
        return "another program has it; end that one first (the service?)"
    if "configure port" in str(error):
        return f"it is no serial port ({error}); a name in /dev/serial/by-path is right"
    return str(error)


def open_line(path: str, baud: int) -> Line:
    """A real port."""
    return SerialLine(path, baud)


class Port:
    """One serial port. `read` and `write` neither block nor raise; `why` says what is wrong.

    counts: opened, lost (was open and failed), failed (did not open), in, out, refused (bytes that
    were not taken for writing).
    """

    def __init__(self, path: str, baud: int, opener: LineOpener = open_line) -> None:
        self.path, self.baud = path, baud
        self.counts: Counter[str] = Counter()
        self.why = "not opened yet"
        self._opener = opener
        self._line: Line | None = None
        self._waiting = bytearray()
        self._pause = 0.0
        self._not_before: float | None = None

    @property
    def is_open(self) -> bool:
        return self._line is not None

    @property
    def byte_s(self) -> float:
        """How long one byte is on the wire: ten bits."""
        return 10.0 / self.baud

    def read(self, now_s: float) -> bytes:
        """Everything that has come since the last read; opens the port when it is time to."""
        line = self._line or self._open(now_s)
        if line is None:
            return b""
        try:
            data = line.read(CHUNK)
        except PORT_ERRORS as error:
            self._lose(error, now_s)
            return b""
        self.counts["in"] += len(data)
        self._push(now_s)
        return data

    def write(self, data: bytes, now_s: float) -> bool:
        """Send at once as much as fits, the rest with later calls; False when it was refused."""
        if self._line is None or len(self._waiting) + len(data) > WAITING_MAX:
            self.counts["refused"] += len(data)
            return False
        self._waiting += data
        return self._push(now_s)

    def hold_low(self, low: bool, now_s: float) -> bool:
        """Hold our sending line low (a break) or let it go; False when the port is not open."""
        if self._line is None:
            return False
        try:
            self._line.break_condition = low
        except PORT_ERRORS as error:
            self._lose(error, now_s)
            return False
        return True

    def close(self) -> None:
        line, self._line = self._line, None
        self._waiting.clear()
        self.why = "closed"
        if line is not None:
            try:
                line.close()
            except PORT_ERRORS:  # a port that has gone cannot be closed properly
                self.counts["lost"] += 1

    def _open(self, now_s: float) -> Line | None:
        if self._not_before is not None and now_s < self._not_before:
            return None
        try:
            self._line = self._opener(self.path, self.baud)
        except PORT_ERRORS as error:
            self.counts["failed"] += 1
            self._rest(f"{self.path} does not open: {refusal(self.path, error)}", now_s)
            return None
        self.counts["opened"] += 1
        self.why, self._pause, self._not_before = "", 0.0, None
        return self._line

    def _push(self, now_s: float) -> bool:
        line = self._line
        if line is None or not self._waiting:
            return line is not None
        try:
            sent = line.write(bytes(self._waiting)) or 0
        except PORT_ERRORS as error:
            self._lose(error, now_s)
            return False
        self.counts["out"] += sent
        del self._waiting[:sent]
        return True

    def _lose(self, error: Exception, now_s: float) -> None:
        self.counts["lost"] += 1
        line, self._line = self._line, None
        self._waiting.clear()  # what was meant for then is not sent later
        if line is not None:
            try:
                line.close()
            except PORT_ERRORS:
                self.counts["failed"] += 1
        self._rest(f"{self.path} was lost: {error}", now_s)

    def _rest(self, why: str, now_s: float) -> None:
        self.why = why
        self._pause = min(LONGEST_PAUSE, max(FIRST_PAUSE, 2.0 * self._pause))
        self._not_before = now_s + self._pause
