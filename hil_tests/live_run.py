"""A live run as a process of its own, with a listener at it: for whoever would harm it."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from firmware_py.errors import LineholdError
from firmware_py.link.client import Client
from firmware_py.link.frames import Ask, Beat, Drive, FromLoop, HoldEnable, Told
from firmware_py.messages import AnyRequest, Engage, Mode, SetDatum, Side

ROOT = Path(__file__).resolve().parent.parent
MODULES = {
    "loop": "firmware_py.live.loop_process",
    "dashboard": "-m tui",
    "journal": "multiprocessing.spawn",
    "rig": "firmware_py.live.rig_process",
}
UP_S = 25.0  # s for a run to be in automatic
STAND_S = 2.5  # s, for tilt and bar to settle before the datum


@dataclass
class Run:
    """A live run as a process, in a terminal of its own, and a listener at it."""

    folder: Path
    seed: int
    number: int = 0
    seen: list[FromLoop] = field(default_factory=list)

    def __enter__(self) -> Run:
        self.link, self.truth = self.folder / "link", self.folder / "truth.csv"
        self.terminal, inner = pty.openpty()
        command = [
            sys.executable, "-m", "firmware_py", "run", "--driver", "none", "--silent",
            "--link", str(self.link), "--log", str(self.folder), "--truth", str(self.truth),
            "--seed", str(self.seed),
        ]  # fmt: skip
        environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm-256color"}
        self.process = subprocess.Popen(
            command, stdin=inner, stdout=inner, stderr=subprocess.STDOUT, env=environment,
            start_new_session=True,
        )  # fmt: skip
        os.close(inner)
        self.output = bytearray()
        threading.Thread(target=self._drain, daemon=True).start()
        self.client = self._join()
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(20.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        with contextlib.suppress(OSError):
            os.close(self.terminal)

    def _drain(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.terminal, 65536):
                self.output += data

    def _join(self) -> Client:
        end = time.monotonic() + UP_S
        while True:
            try:
                return Client(self.link, "harm")
            except LineholdError:
                if time.monotonic() > end or self.process.poll() is not None:
                    raise RuntimeError(self.output.decode(errors="replace")) from None
                time.sleep(0.05)

    def hear(self, seconds: float) -> list[FromLoop]:
        """Listen for so long."""
        found, end = [], time.monotonic() + seconds
        while time.monotonic() < end:
            found += self.client.poll()
            time.sleep(0.01)
        self.seen += found
        return found

    def ask(self, kind: type[AnyRequest], *values: object) -> str:
        """One request; '' when it was done, else the reason."""
        self.number += 1
        self.client.send(Ask(kind(self.number, *values)))
        for _ in range(30):
            for frame in self.hear(0.03):
                if isinstance(frame, Told) and frame.answer.number == self.number:
                    return frame.answer.reason
        return "no answer"

    def automatic(self) -> None:
        """Datum, engage, drive: as a person would at the dashboard."""
        self.client.send(HoldEnable(0, True))
        self.hear(STAND_S)
        end = time.monotonic() + UP_S
        while why := self.ask(SetDatum, Side.LEFT) or self.ask(Engage):
            if time.monotonic() > end:
                raise RuntimeError(f"automatic was not had: {why}")
            self.hear(0.3)
        self.client.send(Drive(0, 0.5))

    def pids(self, who: str) -> list[int]:
        """Processes of one kind that belong to this run."""
        return [pid for pid, words in family(self.process.pid) if MODULES[who] in words]

    def mode(self) -> Mode | None:
        """As the newest tick has it."""
        beats = [f for f in self.hear(0.15) if isinstance(f, Beat)]
        return beats[-1].tick.mode if beats else None


def family(parent: int) -> Iterator[tuple[int, str]]:
    """Processes below a process, with their command lines."""
    children: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError):
            text = stat.read_text()
            children.setdefault(int(text.rpartition(")")[2].split()[1]), []).append(
                int(text.split(" ", 1)[0])
            )
    todo = list(children.get(parent, ()))
    while todo:
        pid = todo.pop()
        todo += children.get(pid, ())
        with contextlib.suppress(OSError):
            words = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            yield pid, words
