"""`linehold run` as a user has it: processes, real time, signals, a terminal."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

import pytest

from firmware_py.journal.read import Recorded, read_log
from firmware_py.messages import Disengage, Mode

ROOT = Path(__file__).resolve().parent.parent
WAIT_S = 120.0  # of a computer with much else to do
LINEHOLD = [sys.executable, "-m", "firmware_py"]
HERE = tempfile.mkdtemp(prefix="lh")  # short: a socket's path has at most 107 bytes
ENVIRONMENT = os.environ | {"XDG_RUNTIME_DIR": HERE, "TERM": "xterm-256color"}


def start(*arguments: str, **more: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*LINEHOLD, *arguments], cwd=ROOT, text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, start_new_session=True, env=ENVIRONMENT, **more,  # type: ignore[call-overload]
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


def told_missed(out: str) -> int:
    """How many deadlines a run's report says were missed."""
    found = re.search(r"(\d+) deadlines missed", out)
    assert found is not None, out
    return int(found[1])


def lasted_s(log: Path) -> float:
    """From the first to the last tick, by the loop's own clock."""
    times = [entry.record.time_s for entry in read_log(log) if isinstance(entry, Recorded)]
    return times[-1] - times[0]


def test_three_seconds_end_to_end(tmp_path: Path) -> None:
    """At 100 Hz: each deadline was kept or is told as missed."""
    run = start("run", "--headless", "--for", "3", "--log", str(tmp_path))
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 0, out + err
    assert err.splitlines()[0].startswith("Linehold is a prototype")
    lines = [line for line in out.splitlines() if " s  neutral | left " in line]
    assert len(lines) >= 3
    assert "The loop ended: the time is up. Valves neutral." in out
    ticks = ends_neutral(only_log(tmp_path))
    assert 295 <= ticks + told_missed(out) <= 305
    assert 50 < ticks <= 302
    assert lasted_s(only_log(tmp_path)) == pytest.approx(3.0, abs=0.2)
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


class Terminal:
    """A run in a terminal of its own; answers nothing by itself."""

    def __init__(self, *arguments: str) -> None:
        self.master, self._slave = pty.openpty()
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self._slave)
        self.run = subprocess.Popen(
            [*LINEHOLD, "run", "--silent", *arguments], cwd=ROOT, stdin=self._slave,
            stdout=self._slave, stderr=self._slave, start_new_session=True, env=ENVIRONMENT,
        )  # fmt: skip

    @property
    def restored(self) -> bool:
        return termios.tcgetattr(self._slave) == self.before

    def read_until(self, words: bytes) -> bytes:
        """All that it shows until these words come."""
        seen, end = b"", time.monotonic() + WAIT_S
        while words not in seen:
            assert time.monotonic() < end, seen[-2000:]
            if select.select([self.master], [], [], 0.5)[0]:
                seen += os.read(self.master, 65536)
        return seen

    def keys(self, text: bytes) -> None:
        os.write(self.master, text)

    def end(self) -> int:
        code = self.run.wait(WAIT_S)
        os.close(self.master)
        os.close(self._slave)
        return code


def child(pid: int, words: bytes) -> int:
    """The process that a run has started with these words in its command line."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return next(int(c) for c in children if words in Path(f"/proc/{c}/cmdline").read_bytes())


def gone(pid: int) -> bool:
    """True when a process is no more, or only waits to be buried."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def closed(folder: Path) -> bool:
    """True once the run's recording is whole."""
    try:
        return read_log(only_log(folder)).lost == ()
    except ValueError:  # not there, or nothing in it yet
        return False


def test_in_a_terminal_the_dashboard_stops_the_run_and_the_terminal_is_put_right(
    tmp_path: Path,
) -> None:
    terminal = Terminal("--log", str(tmp_path))
    seen = terminal.read_until(b"Before anything moves")
    assert b"\x1b[?1049h" in seen
    terminal.keys(b"x")
    terminal.read_until(b"LEFT")
    terminal.keys(b"q")
    terminal.read_until(b"stop the run")
    terminal.keys(b"x")
    seen = terminal.read_until(b"Recording: ")
    assert b"\x1b[?1049l" in seen
    assert b"stopped at a dashboard" in seen
    assert terminal.restored
    assert terminal.end() == 0
    ends_neutral(only_log(tmp_path))


def test_a_killed_dashboard_costs_itself_alone_and_the_terminal_is_put_right(
    tmp_path: Path,
) -> None:
    terminal = Terminal("--log", str(tmp_path))
    terminal.read_until(b"Before anything moves")
    killed_s = time.monotonic()
    os.kill(child(terminal.run.pid, b"-m\0tui\0"), signal.SIGKILL)
    seen = terminal.read_until(b"The dashboard has ended; the run goes on.")
    assert b"\x1b[?1049l" in seen
    assert terminal.restored
    time.sleep(1.5)
    terminal.run.terminate()
    terminal.read_until(b"Recording: ")
    assert terminal.end() == 143
    ends_neutral(only_log(tmp_path))
    times = [e.record.time_s for e in read_log(only_log(tmp_path)) if isinstance(e, Recorded)]
    assert times[-1] > killed_s + 1.5  # the loop's clock is this one
    assert sum(one > killed_s for one in times) > 50


def test_a_killed_loop_is_told_and_leaves_a_readable_recording(tmp_path: Path) -> None:
    run = start("run", "--headless", "--log", str(tmp_path))
    assert run.stdout is not None
    for _ in range(3):
        run.stdout.readline()
    os.kill(child(run.pid, b"loop_process"), signal.SIGKILL)
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 1, out + err
    assert "The loop's process died (SIGKILL). The valves were shut by their lease." in out
    assert "Traceback" not in out + err
    records = [e for e in read_log(only_log(tmp_path)) if isinstance(e, Recorded)]
    assert len(records) > 100


def test_a_killed_rig_ends_the_run_and_is_told(tmp_path: Path) -> None:
    run = start("run", "--headless", "--log", str(tmp_path))
    assert run.stdout is not None
    for _ in range(3):  # the loop prints before the rig is there
        run.stdout.readline()
    os.kill(child(run.pid, b"rig_process"), signal.SIGKILL)
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 1, out + err
    assert "The simulated rig's process died; the run was ended." in out
    ends_neutral(only_log(tmp_path))


def test_when_the_keeper_is_killed_the_loop_ends_neutral_and_nothing_stays(tmp_path: Path) -> None:
    run = start("run", "--headless", "--log", str(tmp_path))
    assert run.stdout is not None
    for _ in range(2):
        run.stdout.readline()
    end = time.monotonic() + WAIT_S
    while not any(log.stat().st_size > 20_000 for log in tmp_path.glob("run-*.mcap")):
        assert time.monotonic() < end  # the loop prints before anything is recorded
        time.sleep(0.05)
    pids = [child(run.pid, words) for words in (b"loop_process", b"rig_process", b"live.lines")]
    run.kill()
    run.communicate(timeout=WAIT_S)
    end = time.monotonic() + WAIT_S
    while not (all(map(gone, pids)) and closed(tmp_path)):
        assert time.monotonic() < end
        time.sleep(0.05)
    ends_neutral(only_log(tmp_path))


def test_a_second_run_is_refused_in_a_sentence(tmp_path: Path) -> None:
    first = start("run", "--headless", "--log", str(tmp_path))
    assert first.stdout is not None
    first.stdout.readline()
    second = start("run", "--headless", "--log", str(tmp_path))
    out, err = second.communicate(timeout=WAIT_S)
    assert second.returncode == 2, out + err
    assert "is in use by a running controller; end that one first" in err
    only_log(tmp_path)  # the refused one leaves none
    assert "Traceback" not in err
    first.terminate()
    first.communicate(timeout=WAIT_S)


def test_attach_looks_on_at_a_running_loop_and_says_when_there_is_none(tmp_path: Path) -> None:
    none = start("attach", "--lines")
    out, err = none.communicate(timeout=WAIT_S)
    assert none.returncode == 1
    assert "no controller answers at" in err
    run = start("run", "--headless", "--log", str(tmp_path))
    assert run.stdout is not None
    run.stdout.readline()
    other = start("attach", "--json")
    assert other.stdout is not None
    lines = [json.loads(other.stdout.readline()) for _ in range(2)]
    assert lines[1]["seq"] > lines[0]["seq"]
    other.terminate()
    other.communicate(timeout=WAIT_S)
    assert run.poll() is None  # who looked on has gone, and it runs
    run.terminate()
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 143, out + err
    ends_neutral(only_log(tmp_path))


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
        stdout=write, stderr=subprocess.DEVNULL, start_new_session=True, env=ENVIRONMENT,
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
    ticks = ends_neutral(only_log(tmp_path))
    assert 195 <= ticks + told_missed(drained.decode()) <= 205
    assert 50 < ticks <= 202
    assert lasted_s(only_log(tmp_path)) == pytest.approx(2.0, abs=0.2)
