"""The processes beside the loop: journal and view. Either may die; the loop only says so."""

from __future__ import annotations

import os
import subprocess
import sys
import termios
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import firmware_py
from firmware_py.live.pipes import Kind, PipeOutlet, PipeRequests
from firmware_py.messages import Tick

TEXT_VIEW = "tui.text"  # by name: this floor knows of no screen
LINES = "firmware_py.live.lines"
LOOK_EVERY = 100  # ticks between two looks at the processes
LEAVE_S = 2.0  # for a view to put the terminal right and go
RESTORE = "\x1b[?25h\x1b[?1049l"  # cursor shown, first screen: what a killed view left undone


class View:
    """A view's process and the two pipes to it: ticks out, requests in."""

    def __init__(self, module: str, *arguments: str) -> None:
        ticks_read, ticks_write = os.pipe()
        asked_read, asked_write = os.pipe()
        # The package's own folder on the path, and not the present one: a folder that happens
        # to be called tui where the command is typed must not be run.
        root = str(Path(firmware_py.__file__).resolve().parent.parent)
        self._terminal = _settings()
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

    def put_right(self) -> None:
        """Undo what a view did to the terminal that could not do so itself."""
        if self._process.poll() and self._terminal is not None:
            print(RESTORE, end="", flush=True)
            with suppress(termios.error):
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._terminal)

    def close(self) -> None:
        """Ends the pipe, which ends the view; one that does not go is killed."""
        self.outlet.close()
        try:
            self._process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self.put_right()


def _settings() -> list[Any] | None:
    """How the terminal is set; None when there is none on both sides."""
    try:
        return termios.tcgetattr(sys.stdin.fileno()) if sys.stdout.isatty() else None
    except (OSError, ValueError, termios.error):  # no input, closed, or no terminal
        return None


class Alive(Protocol):
    """A process, as far as this matters here."""

    @property
    def alive(self) -> bool: ...


Aside = Callable[[Callable[[], None]], None]


class Watch:
    """An outlet that looks at the other processes once a second, and tells of each death once."""

    def __init__(
        self, journal: Alive, view: View, stop: Callable[[str], None], aside: Aside
    ) -> None:
        self._journal, self._view, self._stop, self._aside = journal, view, stop, aside
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
                self._aside(partial(print, words, file=sys.stderr))
        if not self.view_died and not self._view.alive:
            self.view_died = True
            self._aside(self._tell_of_the_view)

    def _tell_of_the_view(self) -> None:
        self._view.put_right()
        print("The view has ended; the run goes on. Ctrl-C stops it.", file=sys.stderr)


def aside(work: Callable[[], None]) -> None:
    """Do it in a thread of its own: a terminal that is held must not hold the loop."""
    threading.Thread(target=work, daemon=True).start()
