"""`linehold run` as a user has it: processes, real time, signals, a terminal."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from firmware_py.journal.read import Recorded, read_log
from firmware_py.messages import Disengage, Mode

ROOT = Path(__file__).resolve().parent.parent
WAIT_S = 30.0
LINEHOLD = [sys.executable, "-m", "firmware_py"]


def start(*arguments: str, **more: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*LINEHOLD, *arguments], cwd=ROOT, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, start_new_session=True, **more,  # type: ignore[call-overload]
    )  # fmt: skip


def only_log(folder: Path) -> Path:
    [log] = folder.glob("run-*.mcap")
    return log


def ends_neutral(log: Path) -> int:
    """Number of records; the last one disengaged and left both valves shut."""
    records = [entry for entry in read_log(log) if isinstance(entry, Recorded)]
    assert read_log(log).lost == ()
    last = records[-1].record
    assert any(isinstance(request, Disengage) for request in last.requests)
    assert (last.tick.left.valve, last.tick.right.valve) == (0.0, 0.0)
    assert last.tick.mode is Mode.NEUTRAL
    return len(records)


def replays(log: Path) -> str:
    done = subprocess.run(
        [*LINEHOLD, "replay", str(log)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_three_seconds_end_to_end(tmp_path: Path) -> None:
    began = time.monotonic()
    run = start("run", "--headless", "--for", "3", "--log", str(tmp_path))
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 0, out + err
    assert 3.0 <= time.monotonic() - began < 12.0
    assert err.splitlines()[0].startswith("Linehold is a prototype")
    lines = [line for line in out.splitlines() if " s  neutral | left " in line]
    assert len(lines) >= 3
    assert "The loop ended: the time is up. Valves neutral." in out
    assert 200 < ends_neutral(only_log(tmp_path)) <= 302
    assert replays(only_log(tmp_path)).startswith("identical: ")


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_leaves_neutral_valves_and_a_readable_journal(
    tmp_path: Path, number: signal.Signals, code: int
) -> None:
    run = start("run", "--json", "--log", str(tmp_path))
    assert run.stdout is not None
    first = [json.loads(run.stdout.readline()) for _ in range(2)]
    assert [line["mode"] for line in first] == ["neutral", "neutral"]
    if number is signal.SIGINT:
        os.killpg(run.pid, number)  # as the terminal does it: to journal and view as well
    else:
        run.send_signal(number)
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == code, out + err
    report = json.loads(out.splitlines()[-1])
    assert report["exit_code"] == code
    assert report["problems"] == []
    assert report["ended"]["valves_not_shut"] == ""
    assert report["recording"] == str(only_log(tmp_path))
    assert ends_neutral(only_log(tmp_path)) == report["ended"]["ticks"]


def test_in_a_terminal_q_stops_and_the_terminal_is_put_right(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    before = termios.tcgetattr(slave)
    run = subprocess.Popen(
        [*LINEHOLD, "run", "--log", str(tmp_path)], cwd=ROOT, stdin=slave, stdout=slave,
        stderr=slave, start_new_session=True,
    )  # fmt: skip
    seen = read_until(master, b"q stops the run")
    assert b"\x1b[?1049h" in seen
    os.write(master, b"q")
    seen = read_until(master, b"Recording: ")
    assert run.wait(WAIT_S) == 0
    assert b"\x1b[?1049l" in seen
    assert b"stopped at the view" in seen
    assert termios.tcgetattr(slave) == before
    os.close(master)
    os.close(slave)
    ends_neutral(only_log(tmp_path))


def test_a_killed_view_costs_the_view_alone_and_the_terminal_is_put_right(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    before = termios.tcgetattr(slave)
    run = subprocess.Popen(
        [*LINEHOLD, "run", "--for", "4", "--log", str(tmp_path)], cwd=ROOT, stdin=slave,
        stdout=slave, stderr=slave, start_new_session=True,
    )  # fmt: skip
    read_until(master, b"q stops the run")
    os.kill(view_of(run.pid), signal.SIGKILL)
    seen = read_until(master, b"The view has ended; the run goes on.")
    assert b"\x1b[?1049l" in seen
    assert termios.tcgetattr(slave) == before
    read_until(master, b"Recording: ")
    assert run.wait(WAIT_S) == 0
    os.close(master)
    os.close(slave)
    assert ends_neutral(only_log(tmp_path)) > 300


def view_of(pid: int) -> int:
    """The process that a run started by the name of the text view."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return next(int(c) for c in children if b"tui.text" in Path(f"/proc/{c}/cmdline").read_bytes())


def closed(folder: Path) -> bool:
    """True once the run's recording is whole."""
    try:
        return read_log(only_log(folder)).lost == ()
    except ValueError:  # not there, or nothing in it yet
        return False


def read_until(fd: int, words: bytes) -> bytes:
    """All that a terminal shows until these words come."""
    seen, end = b"", time.monotonic() + WAIT_S
    while words not in seen:
        assert time.monotonic() < end, seen
        if select.select([fd], [], [], 0.5)[0]:
            seen += os.read(fd, 4096)
    return seen


def test_a_reader_that_stops_reading_does_not_stall_the_loop(tmp_path: Path) -> None:
    """Nobody reads the lines of this run, whose pipe is then full at once."""
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, 4096)
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write, b"x" * 512)
    os.set_blocking(write, True)
    run = subprocess.Popen(
        [*LINEHOLD, "run", "--headless", "--for", "2", "--log", str(tmp_path)], cwd=ROOT,
        stdout=write, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    os.close(write)
    end = time.monotonic() + WAIT_S
    while not closed(tmp_path):  # the loop comes to its end, though its lines stand in a full pipe
        assert time.monotonic() < end
        time.sleep(0.05)
    drained = b""
    while chunk := os.read(read, 65536):
        drained += chunk
    os.close(read)
    assert run.wait(WAIT_S) == 0
    assert 100 < ends_neutral(only_log(tmp_path)) <= 202
