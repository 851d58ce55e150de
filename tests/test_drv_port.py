"""Serial ports: non-blocking, back after unplugging, counted. On virtual time, and on a pty."""

from __future__ import annotations

import errno
import itertools
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.port import CHUNK, FIRST_PAUSE, LONGEST_PAUSE, WAITING_MAX, Line, Port, open_line
from drivers.standins.serial_port import PseudoTerminal, StandInLine


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def line(clock: Clock) -> StandInLine:
    return StandInLine(clock)


@pytest.fixture
def port(line: StandInLine) -> Port:
    return Port("/dev/serial/by-path/a", 9600, line.open)


def test_bytes_arrive_at_the_speed_of_the_line(clock: Clock, line: StandInLine, port: Port) -> None:
    assert port.read(0.0) == b""
    line.say(b"abcd", 0.0)  # ten bits a byte at 9600 baud: 1.0417 ms
    for at, arrived in [(0.0010, b""), (0.0011, b"a"), (0.0032, b"bc"), (0.0042, b"d")]:
        clock.now_s = at
        assert port.read(at) == arrived
    assert port.counts["in"] == 4
    assert port.byte_s == pytest.approx(1.0417e-3, abs=1e-7)


def test_what_is_written_is_told_with_its_time(clock: Clock, line: StandInLine, port: Port) -> None:
    assert not port.write(b"x", 0.0)  # not open yet: refused, not kept for later
    port.read(0.0)
    clock.now_s = 0.5
    assert port.write(b"\x55", 0.5)
    assert line.told == [(0.5, b"\x55")]
    assert port.counts["refused"] == 1
    assert port.counts["out"] == 1


def test_a_line_that_takes_nothing_blocks_nobody(
    clock: Clock, line: StandInLine, port: Port
) -> None:
    port.read(0.0)
    line.full = True
    assert port.write(b"a" * WAITING_MAX, 0.0)
    assert not port.write(b"b", 0.0)
    assert port.counts["refused"] == 1
    line.full = False
    port.read(0.1)  # what waited goes out with the next call
    assert line.told == [(0.0, b"a" * WAITING_MAX)]


def test_unplugged_and_plugged_in_again(clock: Clock, line: StandInLine, port: Port) -> None:
    port.read(0.0)
    line.say(b"lost", 0.0)
    line.unplug()
    assert port.read(0.01) == b""
    assert not port.is_open
    assert port.counts["lost"] == 1
    assert "/dev/serial/by-path/a was lost" in port.why
    line.replug()
    assert port.read(0.01 + FIRST_PAUSE - 0.001) == b""
    assert not port.is_open  # not tried before its time
    clock.now_s = 0.3
    port.read(0.3)
    assert port.is_open
    assert port.why == ""
    assert port.counts["opened"] == 2
    line.say(b"new", 0.3)
    clock.now_s = 0.4
    assert port.read(0.4) == b"new"


def test_tries_grow_rarer_up_to_a_limit(clock: Clock, line: StandInLine, port: Port) -> None:
    line.unplug()
    tried = []
    for n in range(2000):
        before = port.counts["failed"]
        port.read(0.01 * n)
        if port.counts["failed"] > before:
            tried.append(0.01 * n)
    gaps = [b - a for a, b in itertools.pairwise(tried)]
    assert gaps[:4] == pytest.approx([0.2, 0.4, 0.8, 1.6], abs=0.011)
    assert gaps[4:] == pytest.approx([LONGEST_PAUSE] * len(gaps[4:]), abs=0.011)
    assert "nothing is plugged in at this place" in port.why


def test_an_old_end_stays_dead_after_a_quick_replug(
    clock: Clock, line: StandInLine, port: Port
) -> None:
    port.read(0.0)
    line.unplug()
    line.replug()
    line.open("elsewhere", 9600)
    assert port.read(0.01) == b""
    assert port.counts["lost"] == 1


def test_a_break_is_held_and_let_go(clock: Clock, line: StandInLine, port: Port) -> None:
    heard: list[bool] = []

    class Far:
        def advance(self, now_s: float) -> None: ...

        def hear(self, data: bytes, now_s: float) -> None: ...

        def held_low(self, low: bool, now_s: float) -> None:
            heard.append(low)

    line.talker = Far()
    assert not port.hold_low(True, 0.0)
    port.read(0.0)
    assert port.hold_low(True, 0.0)
    assert port.hold_low(False, 0.0)
    assert heard == [True, False]
    line.unplug()
    assert not port.hold_low(True, 0.1)
    assert port.counts["lost"] == 1
    port.close()
    assert port.why == "closed"


def settled(port: Port, now_s: float, want: bytes) -> bytes:
    """Read until so much has come: the kernel carries a pty's bytes in its own time."""
    got, limit = b"", time.monotonic() + 2.0
    while len(got) < len(want) and time.monotonic() < limit:
        got += port.read(now_s)
    return got


def test_the_real_pyserial_on_a_pseudo_terminal(tmp_path: Path) -> None:
    far = PseudoTerminal(tmp_path / "by-path")
    port = Port(str(far.path), 115200, open_line)
    assert port.read(0.0) == b""
    assert port.is_open, port.why
    assert port.hold_low(True, 0.0)  # no modem lines on a pty, but a break is taken
    assert port.hold_low(False, 0.0)
    far.say(b"R0480\r")
    assert settled(port, 0.0, b"R0480\r") == b"R0480\r"
    assert port.write(b"\x55", 0.0)
    limit = time.monotonic() + 2.0
    heard = b""
    while not heard and time.monotonic() < limit:
        heard = far.heard()
    assert heard == b"\x55"
    second = Port(str(far.path), 115200, open_line)
    second.read(0.0)
    assert not second.is_open  # one program at a time
    assert "does not open" in second.why
    far.unplug()
    port.read(0.1)
    assert not port.is_open
    assert port.counts["lost"] == 1
    far.replug()
    port.read(0.2)
    assert not port.is_open
    port.read(0.4)
    assert port.is_open
    far.say(b"again")
    assert settled(port, 0.4, b"again") == b"again"
    port.close()
    far.unplug()


def test_a_full_pseudo_terminal_does_not_hang_the_writer(tmp_path: Path) -> None:
    """pyserial 3.5 alone spins for ever here (its issue 280)."""
    far = PseudoTerminal(tmp_path / "by-path")
    port = Port(str(far.path), 115200, open_line)
    port.read(0.0)
    began = time.monotonic()
    taken = sum(port.write(b"x" * 512, 0.0) for _ in range(2000))
    assert time.monotonic() - began < 2.0
    assert 0 < taken < 2000
    assert port.counts["refused"] > 0
    port.close()
    far.unplug()


def test_one_read_takes_a_bounded_amount(clock: Clock, line: StandInLine, port: Port) -> None:
    port.read(0.0)
    line.say(b"x" * (CHUNK + 10), 0.0)
    clock.now_s = 100.0
    assert len(port.read(100.0)) == CHUNK
    assert len(port.read(100.0)) == 10


@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("gone", "nothing is plugged in at this place"),
        ("file", "it is no serial port; a name in /dev/serial/by-path is right"),
        (".", "it is no serial port; a name in /dev/serial/by-path is right"),
        ("/dev/null", "it is no serial port (Could not configure port"),
    ],
)
def test_why_a_port_does_not_open_is_told_with_what_is_right(
    tmp_path: Path, place: str, told: str
) -> None:
    (tmp_path / "file").write_text("x")
    port = Port(str(tmp_path / place), 9600)
    assert port.read(0.0) == b""
    assert port.why.startswith(f"{port.path} does not open: {told}")
    assert "Errno" not in port.why


def test_a_port_that_is_not_permitted_or_taken_says_what_to_do(tmp_path: Path) -> None:
    far = PseudoTerminal(tmp_path / "plug")
    name = str(far.path)
    denied = Port(name, 9600, _refuses(errno.EACCES))
    denied.read(0.0)
    assert "not permitted; put this user into the group dialout" in denied.why
    first, second = Port(name, 9600), Port(name, 9600)
    first.read(0.0)
    second.read(0.0)
    first.close()
    far.unplug()
    assert first.counts["opened"] == 1
    assert "another program has it" in second.why


def _refuses(number: int) -> Callable[[str, int], Line]:
    def opener(path: str, baud: int) -> Line:
        raise OSError(number, "no")

    return opener
