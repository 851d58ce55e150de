"""The live half of `make bench`: does the screen cost the loop its time? Some two minutes.

In one run, by turns: the loop alone (no listener, no recording), and the loop with the dashboard
in a terminal, its sound, the recording and the keeper. Lateness is what the loop itself counts.
Run: python -m tests.bench_live [--seconds 20] [--turns 3]
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import os
import pty
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from firmware_py.journal.ring import Ring
from firmware_py.live.processes import end
from firmware_py.live.session import Loop, Plan
from firmware_py.settings_file import find_rig, load_rig

FIRST_PICTURE = b"Before anything moves"
MOST_RATIO, MOST_SHARE, MOST_FIRST_S = 1.5, 0.15, 1.5  # asked for
HERTZ = os.sysconf("SC_CLK_TCK")
ROWS, COLUMNS = 40, 120
DASHBOARD, SPEAKER = b"-m\0tui\0", b"tui.speaker"


@dataclass
class Shown:
    """A run with the dashboard, as it was seen from outside."""

    report: dict[str, object]
    first_s: float  # from the command to the first picture
    share: float  # of a core that the dashboard took
    sound_share: float
    period: float  # mean, of the ticks


def alone(seconds: float, folder: Path) -> dict[str, object]:
    """The loop and its rig, and nobody who listens."""
    path = find_rig("reference")
    plan = Plan(load_rig(path), "", folder, headless=True, for_s=seconds,
                link=folder / "link")  # fmt: skip
    ring = Ring.create(plan.rig.control.tick_hz)
    try:
        loop = Loop(plan, ring, folder / "none", "")
        loop.wait_ready()
        loop.process.wait()
        end(loop.rig, 3.0)
        report = loop.report()
    finally:
        ring.close()
    assert report is not None
    return report.numbers


class Terminal:
    """Reads what a dashboard draws, as fast as it comes."""

    def __init__(self) -> None:
        self.master, self.inner = pty.openpty()
        fcntl.ioctl(self.inner, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.seen, self.first_s = bytearray(), 0.0
        threading.Thread(target=self._drain, daemon=True).start()

    def _drain(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 65536):
                self.seen += data
                if not self.first_s and FIRST_PICTURE in self.seen:
                    self.first_s = time.monotonic()
                    os.write(self.master, b"x")  # the cautions were read


def with_all(seconds: float, folder: Path) -> Shown:
    """`linehold run` in a terminal."""
    terminal = Terminal()
    reports, told = os.pipe()
    began = time.monotonic()
    run = subprocess.Popen(
        [sys.executable, "-c", RUN, str(seconds), str(folder), str(told)], stdin=terminal.inner,
        stdout=terminal.inner, stderr=terminal.inner, start_new_session=True, pass_fds=(told,),
    )  # fmt: skip
    os.close(told)
    while not terminal.first_s and run.poll() is None:
        time.sleep(0.005)
    time.sleep(2.0)
    dashboard, speaker = _child(run.pid, DASHBOARD), _child(run.pid, SPEAKER)
    before, at = (_spent(dashboard), _spent(speaker)), time.monotonic()
    time.sleep(max(seconds - 6.0, 3.0))
    span = time.monotonic() - at
    shares = [
        (_spent(pid) - was) / span for pid, was in zip((dashboard, speaker), before, strict=True)
    ]
    run.wait()
    with open(reports, "rb") as pipe:
        report = json.loads(pipe.read())
    os.close(terminal.inner)
    ended = report["ended"]
    return Shown(ended, terminal.first_s - began, shares[0], shares[1], ended["period_s"])


# the command itself, with its report to a pipe: the terminal is the dashboard's
RUN = """
import json, os, sys
from pathlib import Path
from firmware_py.live.session import Plan, run
from firmware_py.settings_file import find_rig, load_rig
seconds, folder, told = float(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
path = find_rig("reference")
plan = Plan(load_rig(path), path.read_text(), folder, for_s=seconds, link=folder / "link")
os.write(told, json.dumps(run(plan).as_dict()).encode())
"""


def _child(pid: int, words: bytes) -> int:
    """The youngest process below one with these words in its command line; 0 for none."""
    todo, found = [pid], 0
    while todo:
        here = todo.pop()
        with contextlib.suppress(OSError):
            if words in Path(f"/proc/{here}/cmdline").read_bytes():
                found = here
            for task in Path(f"/proc/{here}/task").iterdir():
                todo += [int(c) for c in (task / "children").read_text().split()]
    return found


def _spent(pid: int) -> float:
    """Seconds of processor time, its own and the system's for it."""
    if not pid:
        return 0.0
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / HERTZ


def row(name: str, value: str, against: str) -> None:
    print(f"{name:<44} {value:>12}   {against}")


def main() -> int:
    """Exit code 1 when something asked for was not had."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0, help="of each turn (20)")
    parser.add_argument("--turns", type=int, default=3, help="of both kinds (3)")
    options = parser.parse_args()
    bare: list[dict] = []
    shown: list[Shown] = []
    for _ in range(options.turns):
        for kind in ("alone", "all"):
            with tempfile.TemporaryDirectory(prefix="lh") as name:
                folder = Path(name)
                if kind == "alone":
                    bare.append(alone(options.seconds, folder))
                else:
                    shown.append(with_all(options.seconds, folder))
    return _tell(bare, shown)


def _tell(bare: list[dict], shown: list[Shown]) -> int:
    lone = sorted(one["lateness_ms"]["p99.9"] for one in bare)
    full = sorted(one.report["lateness_ms"]["p99.9"] for one in shown)  # type: ignore[index]
    ratio = full[len(full) // 2] / lone[len(lone) // 2]
    off = max(abs(one.period / 0.01 - 1.0) for one in shown)
    share = max(one.share for one in shown)
    first = max(one.first_s for one in shown)
    listed = ", ".join(f"{value:.3f}" for value in lone)
    row("lateness p99.9, loop alone, ms (median)", f"{lone[len(lone) // 2]:.3f}", listed)
    listed = ", ".join(f"{value:.3f}" for value in full)
    row("the same with dashboard, sound, recording", f"{full[len(full) // 2]:.3f}", listed)
    row("ratio", f"{ratio:.2f}", f"at most {MOST_RATIO}")
    row("mean period off 10 ms", f"{off:.3%}", "at most 1 %")
    row("dashboard, share of a core (worst turn)", f"{share:.1%}", f"at most {MOST_SHARE:.0%}")
    row("sound, share of a core (worst turn)", f"{max(o.sound_share for o in shown):.1%}", "")
    row("first picture after the command, s (worst)", f"{first:.2f}", f"at most {MOST_FIRST_S}")
    missed = sum(int(one.report["missed_deadlines"]) for one in shown)  # type: ignore[call-overload]
    row("deadlines missed with everything", str(missed), "")
    good = ratio <= MOST_RATIO and off <= 0.01 and share <= MOST_SHARE and first <= MOST_FIRST_S
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
