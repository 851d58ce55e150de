"""The board's lease under real MicroPython: the loop is killed or stopped at full command.

    python -m hil_tests.board_lease [--times 100]

A loop process reads the board and commands full opening 100 times a second. It gets SIGKILL or
SIGSTOP at a moment of chance; the board's pins, recorded with their times, say when they fell. No
oil moves: the board is its own program under MicroPython with stand-in pins. It says nothing of a
real chip's interrupts: docs/board.md, "not proven here".
"""

from __future__ import annotations

import argparse
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
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
BEFORE_S = 0.05  # a command may have waited so long to be taken when the loop ended
MEMORY = Path("/dev/shm")  # the record goes here where it can: a disk makes its writer wait
PATIENCE_S = 20.0  # for what must come sooner or later
LIMIT_S = (LEASE_MS + TIMER_MS) * 1e-3
ENABLE_PIN = "pin20"
SCENE = {"LINEHOLD_MACHINE_ECHOES": "3500;3600;3700;;3900", "LINEHOLD_MACHINE_INPUTS": "12,13,14"}


class Fall(NamedTuple):
    """How one loop ended: signal, seconds until the line that lets all coils work was off, and
    how late this computer was meanwhile with the stand-in's timer and the program's turns."""

    signal: str
    off_s: float
    host_late_s: float


def loop(path: str) -> None:
    """The loop process: neutral until the board is armed, then full command, for ever."""
    link = BoardLink(path)
    bar, valves = BoardBar(link, "bar"), BoardValves(link)
    due_s = time.monotonic()
    while True:
        now_s = time.monotonic()
        bar.read(now_s)
        full = 1.0 if link.armed else 0.0
        valves.write(ValveCommand(now_s, full, -full))
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
        return judge(wait_for(board, on=False), how, ended_s)
    finally:
        process.kill()
        process.wait()


def judge(record: list[Event], how: signal.Signals, ended_s: float) -> Fall:
    """When the common line fell; it must have been on, and a coil at full."""
    was_full = False
    off_s = timer_s = turn_s = 0.0
    for event in record:
        was_full = was_full or (event.what, event.value) == ("pwm16", 65535)
        if event.time_s > ended_s - BEFORE_S:
            if event.what == ENABLE_PIN and event.time_s > ended_s:
                off_s = event.time_s - ended_s
            elif event.what == "late":
                timer_s = max(timer_s, event.value * 1e-6)
            elif event.what == "turn":
                turn_s = max(turn_s, event.value * 1e-6)
    if not was_full or off_s == 0.0:
        raise AssertionError(f"{how.name} did not find the valves at full command")
    return Fall(how.name, off_s, timer_s + turn_s)


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
            print(
                f"{len(found)} of {asked.times}: {one.signal} {one.off_s * 1e3:.1f} ms", flush=True
            )
    for name in ("SIGKILL", "SIGSTOP"):
        times = [one.off_s * 1e3 for one in found if one.signal == name]
        if times:
            middle = statistics.median(times)
            print(
                f"{name}: {len(times)} times; outputs off after {min(times):.1f} to "
                f"{max(times):.1f} ms, median {middle:.1f} ms"
            )
    late = [one for one in found if one.off_s > LIMIT_S]
    wrong = [one for one in late if one.off_s > LIMIT_S + one.host_late_s]
    print(
        f"limit {LIMIT_S * 1e3:.0f} ms: {len(late)} over it, {len(wrong)} of these by more than "
        f"this computer was late (at most {max(o.host_late_s for o in found) * 1e3:.1f} ms)"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
