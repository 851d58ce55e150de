"""The screen of a run: a dashboard or printed lines, a process that knows only the link."""

from __future__ import annotations

import subprocess
import sys
import termios
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

from firmware_py.live.processes import start

DASHBOARD = "tui"  # by name: this floor knows of no screen
LINES = "firmware_py.live.lines"
# what a killed dashboard leaves undone: mouse, paste and focus reports, wrapping, cursor, screen
RESTORE = (
    "\x1b[?1000l\x1b[?1002l\x1b[?1003l\x1b[?1006l\x1b[?1015l\x1b[?2004l\x1b[?1004l"
    "\x1b[?7h\x1b[?25h\x1b[?1049l"
)


class Wish(Protocol):
    """What a run wants to be shown by."""

    @property
    def headless(self) -> bool: ...
    @property
    def as_json(self) -> bool: ...
    @property
    def options(self) -> Path | None: ...
    @property
    def sound(self) -> bool: ...


class Screen:
    """A process in the terminal's foreground; `alive` until it has gone."""

    def __init__(self, link: Path, module: str, *arguments: str) -> None:
        self._terminal = _settings()
        self.process: subprocess.Popen[bytes] = start(module, str(link), *arguments, apart=False)

    @classmethod
    def open(cls, link: Path, wish: Wish) -> Screen:
        """The screen that was wished for."""
        if wish.headless:
            return cls(link, LINES, "--wait", *(["--json"] if wish.as_json else []))
        options = ["--options", str(wish.options)] if wish.options else []
        return cls(link, DASHBOARD, "--wait", *options, *([] if wish.sound else ["--silent"]))

    @property
    def alive(self) -> bool:
        return self.process.poll() is None

    def put_right(self) -> None:
        """Undo what it did to the terminal that it could not undo itself."""
        if self.process.poll() and self._terminal is not None:
            with suppress(OSError, ValueError, AttributeError, termios.error):
                print(RESTORE, end="", flush=True)
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._terminal)

    def close(self, patience_s: float) -> None:
        """Ask it to go; one that does not is made to."""
        self.process.terminate()
        try:
            self.process.wait(patience_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.put_right()


def check_options(link: Path, options: Path) -> int:
    """Let the dashboard say what is wrong with its options; 0 for nothing, else the exit code."""
    return start(DASHBOARD, str(link), "--options", str(options), "--check", apart=False).wait()


def _settings() -> list[Any] | None:
    """How the terminal is set; None when there is none on both sides."""
    try:
        return termios.tcgetattr(sys.stdin.fileno()) if sys.stdout.isatty() else None
    except (OSError, ValueError, AttributeError, termios.error):  # no input, closed, or no terminal
        return None
