"""Serial lines of stand-ins: in memory on virtual time, or pseudo-terminals on this computer's.

On a pseudo-terminal the driver goes through the real pyserial and the kernel; a thread stands at
the far end, with the device's own timing.
"""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path

from drivers.port import Line, open_line
from drivers.standins.serial_port import PseudoTerminal, StandInLine
from hil_tests.bench import Clock, Real, Virtual

PUMP_S = 0.001


class Memory:
    """Lines by name, in memory."""

    late_s = 0.0  # how much later than by its clock something may happen

    def __init__(self) -> None:
        self.clock: Clock = Virtual()
        self.lines: dict[str, StandInLine] = {}

    def line(self, name: str) -> StandInLine:
        """A new line; its far end is whoever is put on it as talker."""
        self.lines[name] = StandInLine(self.clock)
        return self.lines[name]

    def path(self, name: str) -> str:
        """What the driver is told to open."""
        return name

    def open(self, path: str, baud: int) -> Line:
        return self.lines[path].open(path, baud)

    def unplug(self) -> None:
        for line in self.lines.values():
            line.unplug()

    def replug(self) -> None:
        for line in self.lines.values():
            line.replug()

    def close(self) -> None:
        """Nothing to let go of."""


class Terminals(Memory):
    """Lines by name, each a pseudo-terminal in a folder of its own."""

    late_s = 0.02  # a busy computer wakes the far end's thread late

    def __init__(self) -> None:
        super().__init__()
        self.clock = Real()
        self._folder = tempfile.TemporaryDirectory(prefix="lh")
        self._ends: dict[str, PseudoTerminal] = {}
        self._lock = threading.Lock()
        self._over = False
        self._thread = threading.Thread(target=self._pump, daemon=True)
        self._thread.start()

    def line(self, name: str) -> StandInLine:
        with self._lock:
            line = super().line(name)
            line.baud = 115_200
            self._ends[name] = PseudoTerminal(Path(self.path(name)))
        return line

    def path(self, name: str) -> str:
        return str(Path(self._folder.name) / name)

    def open(self, path: str, baud: int) -> Line:
        return open_line(path, baud)

    def unplug(self) -> None:
        with self._lock:
            for name, end in self._ends.items():
                self.lines[name].unplug()
                end.unplug()

    def replug(self) -> None:
        with self._lock:
            for name, end in self._ends.items():
                end.replug()
                self.lines[name].replug()

    def close(self) -> None:
        self._over = True
        self._thread.join()
        for end in self._ends.values():
            end.unplug()
        self._folder.cleanup()

    def _pump(self) -> None:
        """The far ends: what is due is said, what was written is heard."""
        while not self._over:
            with self._lock:
                for name, line in self.lines.items():
                    end = self._ends.get(name)
                    if end is None or not line.plugged:
                        continue
                    line.settle()
                    if line.talker is not None and (heard := end.heard()):
                        line.talker.hear(heard, self.clock())
                    if due := line.take(4096):
                        end.say(due)
            time.sleep(PUMP_S)
