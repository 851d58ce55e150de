"""The processes beside the loop: journal and view. Either may die; the loop only says so."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import firmware_py
from firmware_py.live.pipes import Kind, PipeOutlet, PipeRequests
from firmware_py.messages import Tick

TEXT_VIEW = "tui.text"  # by name: this floor knows of no screen
LINES = "firmware_py.live.lines"
LOOK_EVERY = 100  # ticks between two looks at the processes
LEAVE_S = 2.0  # for a view to put the terminal right and go


class View:
    """A view's process and the two pipes to it: ticks out, requests in."""

    def __init__(self, module: str, *arguments: str) -> None:
        ticks_read, ticks_write = os.pipe()
        asked_read, asked_write = os.pipe()
        # The package's own folder on the path, and not the present one: a folder that happens
        # to be called tui where the command is typed must not be run.
        root = str(Path(firmware_py.__file__).resolve().parent.parent)
        path = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", module, str(ticks_read), str(asked_write), *arguments],
            pass_fds=(ticks_read, asked_write),
            env=os.environ | {"PYTHONPATH": path},
        )
        os.close(ticks_read)
        os.close(asked_write)
        self.outlet = PipeOutlet(ticks_write)
        self.requests = PipeRequests(asked_read)

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    @property
    def pid(self) -> int:
        return self._process.pid

    def close(self) -> None:
        """Ends the pipe, which ends the view; one that does not go is killed."""
        self.outlet.close()
        try:
            self._process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class Alive(Protocol):
    """A process, as far as this matters here."""

    @property
    def alive(self) -> bool: ...


class Watch:
    """An outlet that looks at the other processes once a second, and tells of each death once."""

    def __init__(
        self, journal: Alive, view: View, stop: Callable[[str], None], tell: Callable[[str], None]
    ) -> None:
        self._journal, self._view, self._stop, self._tell = journal, view, stop, tell
        self.journal_died = self.view_died = False
        self._count = 0

    def put(self, tick: Tick) -> None:
        """Look, now and then."""
        if self._view.requests.stop_asked:
            self._stop("stopped at the view")
        self._count += 1
        if self._count % LOOK_EVERY:
            return
        if not self.journal_died and not self._journal.alive:
            self.journal_died = True
            words = "The recording has stopped; the run goes on without."
            self._view.outlet.send(Kind.NOTE, words)
            if self.view_died:
                self._tell(words)
        if not self.view_died and not self._view.alive:
            self.view_died = True
            self._tell("The view has ended; the run goes on. Ctrl-C stops it.")


def tell_aside(words: str) -> None:
    """Write to standard error from a thread: a terminal that is held must not hold the loop."""
    threading.Thread(target=print, args=(words,), kwargs={"file": sys.stderr}, daemon=True).start()
