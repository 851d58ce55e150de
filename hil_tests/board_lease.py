"""The board's lease under real MicroPython: the loop is killed or stopped at full command.

    python -m hil_tests.board_lease [--times 100]

A loop process reads the board and commands full opening 100 times a second. It gets SIGKILL or
SIGSTOP at a moment of chance; the board's pins, recorded with their times, say when they fell. No
oil moves: the board is its own program under MicroPython with stand-in pins. It says nothing of a
real chip's interrupts: docs/board.md, "not proven here".

Three spans are told apart. `board`: by the board's own ticks, from the callback that first drove
the last command to the one that shut it. `waited`: how long after the loop's end that first
callback came, for a command may still lie in the cable or in a late callback. `off`: what the host
sees, from the signal to the fall. The lease is looked at each 5 ms from the command's arrival, so
that `board` is at most 205 ms and the shutting callback's own lateness, which is on record as well;
on a chip that is its interrupt's jitter, here it is this computer's business.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from drivers.board.codec import LEASE_MS, TIMER_MS
from drivers.board_devices import BoardBar, BoardValves
from drivers.board_link import BoardLink
from drivers.samples import ValveCommand
from drivers.standins.board_process import (
    NO_MICROPYTHON,
    ROOT,
    BoardProcess,
    Event,
    micropython,
)

TICK_S = 0.01
# Commanded in turn, so that the last command that was taken shows in the duty, also of a burst.
FULLS = tuple(1.0 - 1e-3 * n for n in range(16))
LATE_S = 0.1  # after the fall, so long the record is waited for
UNSEEN_S = 1e-3  # a callback less late than this is not put down
MEMORY = Path("/dev/shm")  # the record goes here where it can: a disk makes its writer wait
PATIENCE_S = 20.0  # for what must come sooner or later
LIMIT_S = (LEASE_MS + TIMER_MS) * 1e-3
ENABLE_PIN = "pin20"
SCENE = {"LINEHOLD_MACHINE_ECHOES": "3500;3600;3700;;3900", "LINEHOLD_MACHINE_INPUTS": "12,13,14"}


class Fall(NamedTuple):
    """How one loop ended. All in seconds; what each span is stands at the top of this file."""

    signal: str
    off_s: float
    waited_s: float
    board_s: float
    late_s: float  # of the callback that shut the valves, as far as it was put down

    @property
    def limit_s(self) -> float:
        """What the board may take by its own ticks."""
        return LIMIT_S + UNSEEN_S + self.late_s


def loop(path: str) -> None:
    """The loop process: neutral until the board is armed, then full command, for ever."""
    link = BoardLink(path)
    bar, valves = BoardBar(link, "bar"), BoardValves(link)
    due_s = time.monotonic()
    for full in itertools.cycle(FULLS):
        now_s = time.monotonic()
        bar.read(now_s)
        command = full if link.armed else 0.0
        valves.write(ValveCommand(now_s, command, -command))
        due_s = max(due_s + TICK_S, now_s)
        time.sleep(max(0.0, due_s - time.monotonic()))


def outputs(record: list[Event]) -> dict[str, int]:
    """The last level of every output that was ever on."""
    return {e.what: e.value for e in record if e.what.startswith(("pin", "pwm"))}


def wait_for(board: BoardProcess, on: bool) -> list[Event]:
    """The record, once the enable line is on, or once every output is off."""
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        record = board.record()
        levels = outputs(record)
        if (levels.get(ENABLE_PIN) == 1) if on else not any(levels.values()):
            return record
        time.sleep(0.002)
    wanted = "on" if on else "off"
    raise TimeoutError(f"outputs not {wanted}: {outputs(board.record())}{board.errors.read_text()}")


def fall(board: BoardProcess, how: signal.Signals, pause_s: float) -> Fall:
    """Let a loop run at full command, end it so, and see the outputs fall."""
    command = [sys.executable, "-m", "hil_tests.board_lease", "--loop", str(board.path)]
    process = subprocess.Popen(command, cwd=ROOT)
    try:
        wait_for(board, on=True)
        time.sleep(pause_s)
        process.send_signal(how)
        ended_s = time.monotonic()
        wait_for(board, on=False)
        time.sleep(LATE_S)  # what was late is put down after it has been done
        return judge(board.record(), how, ended_s)
    finally:
        process.kill()
        process.wait()


def judge(record: list[Event], how: signal.Signals, ended_s: float) -> Fall:
    """When the common line fell; it must have been on, and a coil at full, when the loop ended."""
    off = next((e for e in reversed(record) if e.what == ENABLE_PIN and e.value == 0), None)
    if off is None or off.time_s <= ended_s:
        raise AssertionError(f"{how.name} did not find the valves at full command")
    driven = [e.time_s for e in record if e.what == "pwm16" and e.value > 0]
    late = [e for e in record if e.what == "late" and e.time_s >= off.time_s]
    held_up = late[0].value * 1e-6 if late else 0.0
    if late and late[0].time_s - held_up > off.time_s:  # of a later callback
        held_up = 0.0
    return Fall(
        how.name,
        off.time_s - ended_s,
        max(0.0, driven[-1] - ended_s),
        off.time_s - driven[-1],
        held_up,
    )


def falls(times: int, folder: Path) -> Iterator[Fall]:
    """SIGKILL and SIGSTOP in turn, against one board that stays on."""
    rng = random.Random(1)
    board = BoardProcess(folder, SCENE)
    try:
        both = (signal.SIGKILL, signal.SIGSTOP)
        for n in range(times):
            yield fall(board, both[n % 2], rng.uniform(0.0, 0.1))
    finally:
        board.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--loop", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.loop:
        loop(asked.loop)
    if micropython() is None:
        print(NO_MICROPYTHON)
        return 1
    found: list[Fall] = []
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        for one in falls(asked.times, Path(folder)):
            found.append(one)
            words = f"{one.signal} {one.off_s * 1e3:.1f} ms, board {one.board_s * 1e3:.1f} ms"
            print(f"{len(found)} of {asked.times}: {words}", file=sys.stderr, flush=True)
    wrong = [one for one in found if one.board_s > one.limit_s]
    print("\n".join(table(found)))
    print(f"load {os.getloadavg()[0]:.1f}; over the limit by more than the lateness: {len(wrong)}")
    return 1 if wrong else 0


def table(found: Sequence[Fall]) -> Iterator[str]:
    """A line a signal: least, median and most of each span, ms."""
    yield "| loop gets | times | by the board's ticks | callback late | waited | by the host |"
    yield "| --- | ---: | ---: | ---: | ---: | ---: |"
    for name in ("SIGKILL", "SIGSTOP"):
        rows = [one for one in found if one.signal == name]
        if rows:
            board, off = (_three([getattr(r, k) for r in rows]) for k in ("board_s", "off_s"))
            late, waited = (max(getattr(r, k) for r in rows) for k in ("late_s", "waited_s"))
            spans = f"{board} | {late * 1e3:.1f} | {waited * 1e3:.1f} | {off}"
            yield f"| {name} | {len(rows)} | {spans} |"


def _three(spans: Sequence[float]) -> str:
    least, middle, most = (1e3 * f(spans) for f in (min, statistics.median, max))
    return f"{least:.1f}, {middle:.1f}, {most:.1f}"


if __name__ == "__main__":
    sys.exit(main())
