"""Serial lines to stand in for pyserial's: one in memory on virtual time, one a pseudo-terminal.

On the line in memory bytes take their time at the line's speed, and everything written is kept in
`told` with its time. A pseudo-terminal carries bytes at once, but through the real pyserial.
"""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import tty
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

Clock = Callable[[], float]


class Talker(Protocol):
    """The device at the far end of a line."""

    def advance(self, now_s: float) -> None:
        """Say what is due by now, by `say` of its line."""
        ...

    def hear(self, data: bytes, now_s: float) -> None:
        """Bytes that the host wrote."""
        ...

    def held_low(self, low: bool, now_s: float) -> None:
        """The host's sending line is held low (a break), or let go."""
        ...


class StandInLine:
    """A serial line in memory. Its `open` goes where drivers.port.open_line would."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.talker: Talker | None = None
        self.plugged = True
        self.full = False  # the far end takes nothing: a write accepts no byte
        self.baud = 9600
        self.opened = self.closed = 0  # how often a host did
        self.told: list[tuple[float, bytes]] = []
        self.lost = 0  # bytes said while no host had the port open
        self._coming: deque[tuple[float, int]] = deque()
        self._busy_s = 0.0  # the wire is taken until then

    def open(self, path: str, baud: int) -> OpenEnd:
        if not self.plugged:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        self.baud = baud
        self.opened += 1
        self.settle()
        self.take(len(self._coming))  # pyserial drops what came before the opening
        return OpenEnd(self, self.opened)

    def say(self, data: bytes, at_s: float) -> None:
        """Put bytes on the wire from at_s on, after what is still on it."""
        start = max(at_s, self._busy_s)
        step = 10.0 / self.baud
        for n, byte in enumerate(data, 1):
            self._coming.append((start + n * step, byte))
        self._busy_s = start + len(data) * step
        if not self.plugged:
            self.lost += len(data)
            self._coming.clear()

    def unplug(self) -> None:
        self.settle()
        self.plugged = False
        self._coming.clear()

    def replug(self) -> None:
        self.settle()
        self.plugged = True

    def settle(self) -> None:
        """Let the far end do all that is due."""
        if self.talker is not None:
            self.talker.advance(self.clock())

    def take(self, size: int) -> bytes:
        """What has wholly arrived, oldest first."""
        now, got = self.clock(), bytearray()
        while self._coming and len(got) < size and self._coming[0][0] <= now + 1e-9:
            got.append(self._coming.popleft()[1])
        return bytes(got)


class OpenEnd:
    """The host's end of a StandInLine: the calls of serial.Serial that drivers.port uses."""

    def __init__(self, line: StandInLine, number: int) -> None:
        self._line, self._number = line, number
        self._low = False
        self.closed = False

    def read(self, size: int = 1, /) -> bytes:
        self._check()
        self._line.settle()
        return self._line.take(size)

    def write(self, data: bytes, /) -> int:
        self._check()
        if self._line.full:
            return 0
        now = self._line.clock()
        self._line.told.append((now, data))
        if self._line.talker is not None:
            self._line.talker.advance(now)
            self._line.talker.hear(data, now)
        return len(data)

    @property
    def break_condition(self) -> bool:
        return self._low

    @break_condition.setter
    def break_condition(self, low: bool) -> None:
        self._check()
        self._low = low
        if self._line.talker is not None:
            self._line.talker.advance(self._line.clock())
            self._line.talker.held_low(low, self._line.clock())

    def close(self) -> None:
        self._line.closed += not self.closed
        self.closed = True

    def _check(self) -> None:
        """An end that was open when the plug was pulled stays dead, whatever is plugged later."""
        if not self._line.plugged or self.closed or self._number != self._line.opened:
            self.closed = True
            raise OSError(errno.EIO, os.strerror(errno.EIO))


class PseudoTerminal:
    """A port in the file system under a name that stays, as /dev/serial/by-path does."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master = self._slave = -1
        self.replug()

    def say(self, data: bytes) -> None:
        """Send to the host; what it does not take at once is dropped."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def heard(self, size: int = 4096) -> bytes:
        """What the host has written."""
        try:
            return os.read(self._master, size)
        except (BlockingIOError, OSError):
            return b""

    def unplug(self) -> None:
        """Hang up: whoever has the port open is told so at the next read."""
        if self._master >= 0:
            os.close(self._master)
            os.close(self._slave)
            self._master = self._slave = -1
            self.path.unlink(missing_ok=True)

    def replug(self) -> None:
        self.unplug()
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.symlink_to(os.ttyname(self._slave))
