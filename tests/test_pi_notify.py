"""The service manager's watchdog: fed over a real socket by complete good ticks, and by no other.

The protocol is that of sd_notify(3) and sd_watchdog_enabled(3) of systemd.
"""

from __future__ import annotations

import itertools
import os
import secrets
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_loop import Bench

from firmware_py.live import notify
from firmware_py.live.notify import Feed, Notify, make_feed, watchdog_s
from firmware_py.messages import Tick

ROOT = Path(__file__).resolve().parent.parent
WATCHDOG_S = 2.0
HZ = 100.0


class Manager:
    """The other end: what came, by line."""

    def __init__(self, address: str | bytes) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.setblocking(False)

    def hear(self) -> list[list[str]]:
        """All datagrams since the last call."""
        found = []
        while True:
            try:
                found.append(self.socket.recv(4096).decode().split("\n"))
            except BlockingIOError:
                return found


class Listening:
    """An outlet behind the feed, which hears the manager's end in the same tick."""

    def __init__(self, manager: Manager, bench: Bench) -> None:
        self._manager, self._bench = manager, bench
        self.heard: list[tuple[float, list[str]]] = []

    def put(self, tick: Tick) -> None:
        now = self._bench.clock.now() - 50.0
        self.heard += [(now, lines) for lines in self._manager.hear()]

    def fed(self) -> list[float]:
        return [at for at, lines in self.heard if "WATCHDOG=1" in lines]


@pytest.fixture
def manager() -> Iterator[Manager]:
    with tempfile.TemporaryDirectory(prefix="lh") as folder:  # short: a path has 107 bytes at most
        made = Manager(f"{folder}/notify")
        yield made
        made.socket.close()


def run(bench: Bench, manager: Manager, seconds: float) -> Listening:
    """A loop on the virtual clock, with a feed by the environment as systemd sets it."""
    environment = {
        "NOTIFY_SOCKET": manager.socket.getsockname(),
        "WATCHDOG_USEC": f"{WATCHDOG_S * 1e6:.0f}",
        "WATCHDOG_PID": "1",  # the keeper's, not ours
    }
    feed = make_feed(environment, bench.loop, HZ)
    assert feed is not None
    listening = Listening(manager, bench)
    bench.loop.outlets += [feed, listening]
    ended = bench.loop.run(50.0 + seconds)
    feed.stopping(ended.words())
    return listening


def test_good_ticks_make_it_ready_once_and_feed_it_each_half_of_its_time(manager: Manager) -> None:
    heard = run(Bench(late_s=0.002), manager, 10.0)
    ready = [at for at, lines in heard.heard if "READY=1" in lines]
    assert ready == [pytest.approx(0.012)]  # the second tick: a first one follows nothing
    gaps = [b - a for a, b in itertools.pairwise(heard.fed())]
    assert gaps == [pytest.approx(WATCHDOG_S / 2)] * 9
    assert all(any(line.startswith("STATUS=") for line in lines) for _, lines in heard.heard)
    [goodbye] = manager.hear()
    assert goodbye[:2] == ["STOPPING=1", f"WATCHDOG_USEC={notify.ENDING_S * 1e6:.0f}"]
    assert goodbye[2].startswith("STATUS=The loop ended: the time is up.")


@pytest.mark.parametrize(
    ("late_s", "work"),
    [(0.0101, {}), (0.035, {}), (0.0, dict.fromkeys(range(5000), 0.0101))],
    ids=["a period late", "three periods late", "each one misses the next deadline"],
)
def test_late_ticks_never_feed_it_nor_make_it_ready(
    manager: Manager, late_s: float, work: dict[int, float]
) -> None:
    bench = Bench(work, late_s)
    heard = run(bench, manager, 10.0)
    assert bench.loop.ticks > 100
    assert heard.heard == []


def test_a_loop_of_which_less_than_half_is_good_starves(manager: Manager) -> None:
    """Ticks that overrun: one in four still feeds in time, two in three do not."""
    some = Bench(dict.fromkeys(range(3, 5000, 4), 0.0101))
    fed = run(some, manager, 20.0).fed()
    assert max(b - a for a, b in itertools.pairwise(fed)) < WATCHDOG_S
    manager.hear()
    most = Bench({n: 0.0101 for n in range(9000) if n % 3})
    fed = run(most, manager, 20.0).fed()
    assert min(b - a for a, b in itertools.pairwise(fed)) > WATCHDOG_S


def test_a_tick_that_fails_is_not_complete(manager: Manager) -> None:
    bench = Bench()
    bench.controller.fail_at = 450
    assert run(bench, manager, 10.0).fed()[-1] < 4.5
    bench = Bench()
    bench.rig.broken = True  # the valves cannot be written to
    assert run(bench, manager, 10.0).heard == []


def test_a_manager_that_takes_nothing_costs_no_tick(manager: Manager) -> None:
    bench = Bench()
    spoken = Notify(manager.socket.getsockname())
    bench.loop.outlets.append(Feed(spoken, bench.loop, HZ, 0.04))
    ended = bench.loop.run(50.0 + 20.0)  # a socket that waits would stay here for ever
    assert (ended.failed, ended.ticks) == (False, 2001)
    assert spoken.lost > 0
    assert manager.hear()  # and what there was room for has come
    spoken.close()


def test_an_abstract_address_and_one_where_nobody_is(tmp_path: Path) -> None:
    name = f"linehold-test-{secrets.token_hex(8)}"
    manager = Manager(b"\0" + name.encode())
    spoken = Notify(f"@{name}")
    assert spoken.say("READY=1")
    spoken.close()
    assert manager.hear() == [["READY=1"]]
    nobody = Notify(str(tmp_path / "nobody"))
    assert not nobody.say("READY=1")
    assert nobody.lost == 1
    nobody.close()
    manager.socket.close()


@pytest.mark.parametrize("text", ["", "0", "-5", "two", "1e6"])
def test_without_a_watchdog_only_words_are_told(text: str) -> None:
    assert watchdog_s({"WATCHDOG_USEC": text}) is None


def test_where_no_manager_listens_there_is_no_feed() -> None:
    assert watchdog_s({}) is None
    for address in ("", "vsock:2:1234", "notify"):
        assert make_feed({"NOTIFY_SOCKET": address}, Bench().loop, HZ) is None


def _loop_of(keeper: int) -> int:
    """The loop's process, a child of the keeper."""
    for _ in range(200):
        for folder in Path("/proc").iterdir():
            if folder.name.isdigit():
                try:
                    words = (folder / "cmdline").read_bytes()
                    parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                except (OSError, ValueError):
                    continue
                if parent == keeper and b"loop_process" in words:
                    return int(folder.name)
        time.sleep(0.05)
    raise AssertionError("the run has no loop")


def _hear(manager: Manager, seconds: float) -> list[list[str]]:
    until, found = time.monotonic() + seconds, []
    while time.monotonic() < until:
        found += manager.hear()
        time.sleep(0.02)
    return found


def test_a_live_run_is_fed_by_its_loop_and_a_frozen_loop_feeds_nothing(
    manager: Manager, tmp_path: Path
) -> None:
    address = manager.socket.getsockname()
    more = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "400000", "XDG_RUNTIME_DIR":
            str(Path(address).parent)}  # fmt: skip
    keeper = subprocess.Popen(
        [sys.executable, "-m", "firmware_py", "run", "--headless", "--driver", "none",
         "--log", str(tmp_path)], cwd=ROOT, env=os.environ | more,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True,
    )  # fmt: skip
    try:
        first: list[list[str]] = []
        until = time.monotonic() + 20.0
        while not first and time.monotonic() < until:
            first = _hear(manager, 0.1)
        assert first[0][0] == "READY=1"
        assert any(line.startswith("STATUS=neutral") for line in first[0])
        assert len([n for n in _hear(manager, 1.5) if "WATCHDOG=1" in n]) >= 2
        loop = _loop_of(keeper.pid)
        os.kill(loop, signal.SIGSTOP)
        _hear(manager, 0.1)
        assert _hear(manager, 1.0) == []  # the keeper and all others live on
        os.kill(loop, signal.SIGCONT)
        assert _hear(manager, 1.5)
        keeper.terminate()
        assert keeper.wait(20.0) == 143
        assert any(lines[0] == "STOPPING=1" for lines in manager.hear())
    finally:
        keeper.kill()
        keeper.communicate()
