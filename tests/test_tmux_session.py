"""A whole session at the dashboard by its keys alone, in tmux; the simulated blade's truth follows.

Datum, engage, drive, 5 mm up, a hand on the lever, its return, hold. The keys go in as a person's
would; what is judged is the rig's own file of where the blade truly was.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parent.parent
WAIT_S = 120.0  # of a computer with much else to do
AGAIN_S = 4.0  # until a person asks again
TIME, LEFT, LEFT_VALVE, RIGHT_VALVE, SPEED = 0, 1, 3, 4, 7
Rows = NDArray[np.float64]

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")


class Session:
    """One tmux server of our own, with the run in its only pane."""

    def __init__(self, folder: Path) -> None:
        self.truth = folder / "truth.csv"
        self._socket = str(folder / "tmux")
        options = folder / "dashboard.toml"
        options.write_text("[steps]\nheight_mm = 5.0\n", encoding="ascii")
        command = (
            f"{sys.executable} -m firmware_py run --driver none --silent --log {folder} "
            f"--options {options} --link {folder / 'link'} --truth {self.truth}; "
            "echo ended with $?; sleep 60"
        )
        environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"}
        self._tmux("new-session", "-d", "-x", "80", "-y", "24", command, env=environment)

    def _tmux(self, *words: str, env: dict[str, str] | None = None) -> str:
        done = subprocess.run(
            ["tmux", "-S", self._socket, "-f", "/dev/null", *words], capture_output=True,
            text=True, check=False, env=env, cwd=ROOT,
        )  # fmt: skip
        return done.stdout

    def screen(self) -> str:
        return self._tmux("capture-pane", "-p")

    def keys(self, *names: str) -> None:
        for name in names:
            self._tmux("send-keys", name)
            time.sleep(0.15)  # as fast as a person presses

    def until(self, seen: Callable[[str], bool]) -> str:
        """The screen, once it shows what is wanted."""
        end = time.monotonic() + WAIT_S
        while not seen(text := self.screen()):
            assert time.monotonic() < end, text
            time.sleep(0.1)
        return text

    def ask(self, *names: str, seen: Callable[[str], bool]) -> None:
        """Press these keys, and again when nothing came of it: refused as too early, or a late
        enter."""
        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            self.keys(*names)
            again = time.monotonic() + AGAIN_S
            while time.monotonic() < again:
                if seen(self.screen()):
                    return
                time.sleep(0.1)
        raise AssertionError(self.screen())

    def rows(self) -> Rows:
        """All of the truth so far."""
        lines = self.truth.read_text(encoding="ascii").splitlines()[1:-1]
        return np.array([[float(cell) for cell in line.split(",")] for line in lines])

    def lately(self, seconds: float) -> Rows:
        rows = self.rows()
        return rows[rows[:, TIME] > rows[-1, TIME] - seconds]

    def close(self) -> None:
        self._tmux("kill-server")


@pytest.fixture
def session() -> Iterator[Session]:
    with tempfile.TemporaryDirectory(prefix="lh") as folder:
        made = Session(Path(folder))
        yield made
        made.close()


def settled(session: Session, level_mm: float) -> None:
    """Until the left end has kept to a level for two seconds, on the truth."""
    end = time.monotonic() + WAIT_S
    while True:
        time.sleep(0.5)
        off = np.abs(session.lately(2.0)[:, LEFT] - level_mm)
        if off.mean() < 2.0 and off.max() < 5.0:
            return
        assert time.monotonic() < end, off


def test_a_session_by_keys(session: Session) -> None:
    session.until(lambda text: "Before anything moves" in text)
    session.keys("x")
    session.until(lambda text: " NEUTRAL " in text)  # before the first tick nothing is sent
    session.keys("o")
    time.sleep(3.0)  # a person waits until tilt and bar have settled
    session.ask("d", "Enter", seen=lambda text: "Ready. Engage" in text)
    base = float(session.lately(0.5)[:, LEFT].mean())
    session.ask("e", "Enter", seen=lambda text: " AUTO " in text)
    session.keys("w")
    session.until(lambda _: session.lately(0.2)[-1, SPEED] > 0.4)
    time.sleep(2.0)
    settled(session, base)

    session.keys("2", "4", "1")  # looking elsewhere changes nothing
    session.keys("Up")
    session.until(lambda text: "offset +5.0 mm" in text)
    settled(session, base + 5.0)

    session.keys("i")  # a hand lifts the end, whatever the target
    session.until(lambda text: "hand" in text.lower())
    session.until(lambda _: session.lately(0.1)[-1, LEFT] > base + 15.0)
    session.keys("l")
    settled(session, base + 5.0)
    assert " AUTO " in session.screen()

    session.keys("Space")
    session.until(lambda text: " NEUTRAL " in text)
    session.until(lambda _: not session.lately(0.3)[:, [LEFT_VALVE, RIGHT_VALVE]].any())
    session.keys("q", "x")
    assert "ended with 0" in session.until(lambda text: "ended with" in text)
