"""The listener as a process of its own: it stores, it ends, and it may be killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from test_journal_making import HEADER, record

from firmware_py.journal.read import Log, LogError, Recorded, read_log
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Listener

ROOT = Path(__file__).resolve().parent.parent
DEADLINE_S = 20.0


@pytest.fixture
def ring() -> Iterator[Ring]:
    made = Ring.create(tick_hz=100, seconds=10)
    yield made
    made.close()


def wait_for(done: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + DEADLINE_S
    while not done():
        assert time.monotonic() < end, f"not within {DEADLINE_S} s: {what}"
        time.sleep(0.02)


def stored(path: Path) -> int:
    try:
        return sum(isinstance(entry, Recorded) for entry in read_log(path))
    except LogError:
        return 0


def test_the_listener_stores_all_and_ends_when_told(ring: Ring, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer, listener = Writer(ring), Listener(ring, path, HEADER)
    writer.put_state({"start": True})
    for n in range(250):
        writer.put(record(n))
    assert listener.stop(DEADLINE_S)
    log: Log = read_log(path)
    assert [e.number for e in log if isinstance(e, Recorded)] == list(range(250))
    assert log.lost == ()


def test_a_killed_listener_loses_no_more_than_the_last_second(ring: Ring, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer, listener = Writer(ring), Listener(ring, path, HEADER)
    for n in range(550):  # 5.5 s of record time
        writer.put(record(n))
    wait_for(lambda: stored(path) >= 500, "five seconds are in the file")
    assert listener.pid is not None
    os.kill(listener.pid, signal.SIGKILL)
    wait_for(lambda: not listener.alive, "the listener is gone")
    log = read_log(path)
    assert [e.number for e in log if isinstance(e, Recorded)] == list(range(stored(path)))
    assert stored(path) >= 550 - 100
    assert any("not closed" in words for words in log.lost)
    assert writer.put(record(550))  # the loop does not notice
    assert not listener.stop(1.0)


LOOP = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, "tests")
from test_journal_making import HEADER, record
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Listener

if __name__ == "__main__":
    ring = Ring.create(tick_hz=100, seconds=10)
    listener = Listener(ring, Path(sys.argv[1]), HEADER)
    print(listener.pid, ring.name, flush=True)
    sys.stdin.readline()  # the test has seen the header in the file
    writer = Writer(ring)
    for n in range(321):
        writer.put(record(n))
    os.kill(os.getpid(), signal.SIGKILL)
"""


def alive(pid: int) -> bool:
    """Whether a process runs; one that has ended and waits for its parent does not."""
    stat = Path(f"/proc/{pid}/stat")
    try:
        return stat.read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at Linux' /proc")
def test_when_the_loop_is_killed_the_listener_stores_the_rest_and_ends(tmp_path: Path) -> None:
    path, script = tmp_path / "a.mcap", tmp_path / "loop.py"
    script.write_text(LOOP)
    loop = subprocess.Popen(
        [sys.executable, str(script), str(path)],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    with loop:
        assert loop.stdin is not None
        assert loop.stdout is not None
        pid, name = loop.stdout.readline().split()
        wait_for(lambda: path.exists() and path.stat().st_size > 300, "the header is stored")
        loop.stdin.write("go\n")
        loop.stdin.close()
        wait_for(lambda: not alive(int(pid)), "the listener has ended by itself")
    log = read_log(path)
    assert [e.number for e in log if isinstance(e, Recorded)] == list(range(321))
    assert log.lost == ()
    shared = Path("/dev/shm", name)
    wait_for(lambda: not shared.exists(), "the ring's memory is removed")


def test_ctrl_c_does_not_end_the_listener(ring: Ring, tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    writer, listener = Writer(ring), Listener(ring, path, HEADER)
    wait_for(lambda: path.exists() and path.stat().st_size > 300, "the listener runs")
    assert listener.pid is not None
    os.kill(listener.pid, signal.SIGINT)
    for n in range(120):
        writer.put(record(n))
    wait_for(lambda: stored(path) >= 100, "it goes on")
    os.kill(listener.pid, signal.SIGTERM)
    wait_for(lambda: not listener.alive, "SIGTERM closes the log")
    assert stored(path) == 120
    assert read_log(path).lost == ()


def test_a_listener_that_cannot_write_says_so_and_the_loop_goes_on(
    ring: Ring, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    listener = Listener(ring, tmp_path / "no folder" / "a.mcap", HEADER)
    wait_for(lambda: not listener.alive, "it has given up")
    assert Writer(ring).put(record(0))
    assert not listener.stop()
    said = capfd.readouterr().err
    assert "the journal stopped: " in said
    assert "no folder" in said
    assert "Traceback" not in said
