"""The board's own program under real MicroPython, joined to the Pi's driver by a pseudo-terminal.

Only the module `machine` is stood in for. These tests start processes, so they wait in real time.
"""

from __future__ import annotations

import json
import math
import random
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
import serial

from drivers.board import codec
from drivers.samples import DriverSample, InertialSample, RangePing
from drivers.standins.board_process import (
    NO_MICROPYTHON,
    ROOT,
    BoardProcess,
    micropython,
)
from hil_tests.board_lease import LIMIT_S, SCENE, falls
from tests.board_bench import PATIENCE_S, Hand, Loop, ever_on, level

pytestmark = pytest.mark.skipif(micropython() is None, reason=NO_MICROPYTHON)


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., BoardProcess]]:
    """Start boards; they are unplugged afterwards, and must not have complained."""
    boards = []

    def one(**scene: str) -> BoardProcess:
        named = {f"LINEHOLD_MACHINE_{key.upper()}": value for key, value in scene.items()}
        boards.append(BoardProcess(tmp_path, SCENE | named))
        return boards[-1]

    yield one
    for board in boards:
        board.close()
        assert board.errors.read_text() == ""


UNDER_MICROPYTHON = """
import sys, json
sys.path.insert(0, {root!r})
from drivers.board import codec
cases = json.load(open({cases!r}))
decoder = codec.Decoder()
frames = []
for piece in cases["stream"]:
    frames += [[f.kind, f.sequence, list(f.fields)] for f in decoder.feed(bytes(piece))]
for frame in frames:
    frame[2] = [list(x) if isinstance(x, bytes) else x for x in frame[2]]
told = {{
    "check": codec.crc16(b"123456789"),
    "crc": [codec.crc16(bytes(x)) for x in cases["plain"]],
    "cobs": [list(codec.cobs(bytes(x))) for x in cases["plain"]],
    "uncobs": [list(codec.uncobs(codec.cobs(bytes(x)))) for x in cases["plain"]],
    "frames": frames,
    "counts": [decoder.bad, decoder.good, decoder.lost, decoder.repeated, decoder.worst_run],
    "packed": [list(codec.pack(codec.SYNC, n, n * 77777)) for n in range(300)],
    "who": sys.implementation[0],
}}
print(json.dumps(told))
"""


def test_the_codec_says_the_same_under_micropython(tmp_path: Path) -> None:
    rng = random.Random(5)
    plain = [list(rng.randbytes(n)) for n in (0, 1, 2, 20, 253, 254, 255, 256, 508, 509, 700)]
    plain += [[0] * 5, list(range(1, 255)), list(range(256))]
    stream = []
    for n in range(400):
        frame = bytearray(codec.pack(codec.VALVES, n & 255, n, n, n, -n))
        if rng.random() < 0.4:
            frame[rng.randrange(len(frame))] = rng.randrange(256)
        stream.append(list(frame) + list(rng.randbytes(rng.randrange(3))))
    cases = tmp_path / "cases.json"
    cases.write_text(json.dumps({"plain": plain, "stream": stream}))
    script = tmp_path / "script.py"
    script.write_text(UNDER_MICROPYTHON.format(root=str(ROOT), cases=str(cases)))
    command = micropython()
    assert command is not None
    told = json.loads(subprocess.run([*command, script], capture_output=True, check=True).stdout)

    decoder = codec.Decoder()
    frames = [frame for piece in stream for frame in decoder.feed(bytes(piece))]
    assert told["who"] == "micropython"
    assert told["check"] == 0x29B1  # the public CRC catalogue
    assert told["crc"] == [codec.crc16(bytes(x)) for x in plain]
    assert told["cobs"] == [list(codec.cobs(bytes(x))) for x in plain]
    assert told["uncobs"] == plain
    assert told["frames"] == [[f.kind, f.sequence, list(f.fields)] for f in frames]
    counts = [decoder.bad, decoder.good, decoder.lost, decoder.repeated, decoder.worst_run]
    assert told["counts"] == counts
    assert told["packed"] == [list(codec.pack(codec.SYNC, n, n * 77777)) for n in range(300)]


# The gate of the next test, and how often each element must have told as many echoes as are inside
# it. A busy computer brings echoes late, past the gate or into it; those pings prove nothing.
NEAR_S, FAR_S, PERIOD_S = 0.003, 0.022, 0.03
FLIGHTS = "500,3500,9000,28000;3600;3700;;3900,5000,6000,7000,8000"
IN_GATE = {0: 2, 1: 1, 2: 1, 3: 0, 4: 4}  # of five, four are told
OFTEN = 3


def as_made(pings: list[RangePing]) -> bool:
    told = Counter((ping.element, len(ping.echoes)) for ping in pings)
    return all(told[pair] >= OFTEN for pair in IN_GATE.items())


def test_samples_come_through_and_the_clock_is_mapped(start: Callable[..., BoardProcess]) -> None:
    loop = Loop(start(echoes=FLIGHTS))
    loop.link.gate(NEAR_S, FAR_S, PERIOD_S, 5)
    loop.until(lambda: len(loop.of(RangePing)) >= 20 and len(loop.of(InertialSample)) >= 200)
    before = len(loop.of(RangePing))  # by now the board has the gate
    loop.until(lambda: as_made(loop.of(RangePing)[before:]))
    assert loop.link.counts["bad CRC"] == 0
    assert loop.link.identity == b"STANDIN1"
    # Under the unix port the board's clock is the computer's own: what it is mapped to is known.
    now_s = time.monotonic()
    mapped = loop.link.clock.ours_s(round(now_s * 1e6) % codec.TICKS)
    assert mapped is not None
    assert abs(mapped - now_s) <= loop.link.clock.bound_s < 1e-3
    pings = loop.of(RangePing)
    for early, late in pairwise(pings[before:]):
        assert late.element == (early.element + 1) % 5
    for ping in pings[before:]:
        flights = [echo.flight_s for echo in ping.echoes]
        assert flights == sorted(flights)
        assert len(flights) <= codec.ECHOES
        assert all(NEAR_S <= flight_s <= FAR_S for flight_s in flights)
        assert ping.element != 3 or not flights
    assert loop.of(InertialSample)[0].az == pytest.approx(9.80665)
    held = loop.of(DriverSample)[0]
    assert (held.enable, held.left_hand, held.right_hand) == (True, False, False)
    loop.link.close()


def test_echoes_are_timed_from_the_firing(start: Callable[..., BoardProcess]) -> None:
    """Against the record: what this computer was late with is in it as well."""
    board = start(echoes="3500;3500;3500;3500;3500")
    loop = Loop(board)
    loop.until(lambda: sum(bool(ping.echoes) for ping in loop.of(RangePing)) >= 60)
    loop.link.close()
    told = [(ping.time_s, ping.echoes[0]) for ping in loop.of(RangePing) if ping.echoes]
    heard = [event.time_s for event in board.record() if event.what.startswith("echo")]
    off = [min(abs(at_s - time_s - echo.flight_s) for at_s in heard) for time_s, echo in told]
    assert sorted(off)[len(off) // 2] < 1e-3
    assert min(echo.flight_s for _, echo in told) > 3.4e-3


def test_outputs_are_off_on_boot_and_until_armed(start: Callable[..., BoardProcess]) -> None:
    board = start()
    hand = Hand(board)
    hand.until(lambda: hand.status(6) >= 5, lambda: hand.valves(1000))
    assert hand.status(2) == codec.WHY_SESSION or hand.status(2) == codec.WHY_BOOT
    assert not ever_on(board)
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(500))
    assert level(board, "pwm16") == 32767
    assert level(board, "pwm17") == level(board, "pwm18") == level(board, "pwm19") == 0


def test_another_starts_number_neither_arms_nor_commands(
    start: Callable[..., BoardProcess],
) -> None:
    board = start()
    hand = Hand(board)
    boot, hand.boot = int(hand.boot), int(hand.boot) ^ 1
    hand.say(codec.ARM, hand.boot, 1)
    hand.until(lambda: hand.status(6) >= 3, lambda: hand.valves(1000))
    assert hand.status(1) == codec.OFF
    hand.boot = boot
    hand.arm()
    assert not ever_on(board)


def test_a_run_of_bad_frames_shuts_the_valves(start: Callable[..., BoardProcess]) -> None:
    board = start()
    hand = Hand(board)
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(1000))
    hand.port.write(b"\0\x03\x01\x02" * 4 + b"\0")  # four bad ones are no run yet
    hand.until(lambda: hand.status(3) >= 4, lambda: hand.valves(1000))
    assert hand.status(1) == codec.ARMED
    hand.port.write(b"\0\x03\x01\x02" * 5 + b"\0")
    hand.until(lambda: hand.status(1) == codec.OFF, lambda: hand.valves(1000))
    assert hand.status(2) == codec.WHY_BAD
    hand.until(lambda: level(board, "pin20") == 0)
    for _ in range(20):
        hand.valves(1000)
        hand.turn()
    assert level(board, "pin20") == 0
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(1000))


def test_commands_from_old_pings_are_refused(start: Callable[..., BoardProcess]) -> None:
    board = start()
    hand = Hand(board)
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(1000))
    old = int(hand.last[codec.PING][1])
    hand.until(lambda: hand.status(1) == codec.OFF, lambda: hand.valves(1000, old))
    assert hand.status(2) == codec.WHY_LEASE
    assert hand.status(5) > 0
    hand.until(lambda: level(board, "pin20") == 0)


def test_beyond_full_is_refused_and_disarming_is_done(start: Callable[..., BoardProcess]) -> None:
    board = start()
    hand = Hand(board)
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(-1000))
    assert (level(board, "pwm16"), level(board, "pwm17")) == (0, 65535)
    hand.valves(1001)
    hand.until(lambda: hand.status(7) == 1, lambda: hand.valves(-1000))
    assert level(board, "pwm16") == 0
    hand.say(codec.ARM, hand.boot, 0)
    hand.until(lambda: hand.status(1) == codec.OFF)
    assert hand.status(2) == codec.WHY_TOLD
    hand.until(lambda: level(board, "pin20") == 0)


def test_an_open_enable_input_keeps_the_valves_shut(start: Callable[..., BoardProcess]) -> None:
    board = start(inputs="13,14")
    hand = Hand(board)
    hand.arm()
    for _ in range(60):
        hand.valves(1000)
        hand.turn()
    assert hand.status(1) == codec.ARMED
    assert not ever_on(board)


def test_without_interrupts_for_the_lease_it_never_arms(
    start: Callable[..., BoardProcess],
) -> None:
    board = start(soft="1")
    loop = Loop(board)
    loop.until(lambda: "never arms" in loop.link.why)
    loop.link.close()
    hand = Hand(board)
    hand.say(codec.ARM, hand.boot, 1)
    hand.until(lambda: hand.status(6) >= 3, lambda: hand.valves(1000))
    assert not ever_on(board)


def test_another_version_gets_no_samples(start: Callable[..., BoardProcess]) -> None:
    board = start()
    port = serial.Serial(str(board.path), timeout=0)
    decoder, frames = codec.Decoder(), []
    until_s = time.monotonic() + PATIENCE_S
    while not frames and time.monotonic() < until_s:
        port.write(codec.pack(codec.HELLO, 1, codec.VERSION + 1, 7, 0, 0, 0, bytes(8)))
        time.sleep(0.1)
        frames = decoder.feed(port.read(4096))
    time.sleep(0.3)
    frames += decoder.feed(port.read(4096))
    assert {frame.kind for frame in frames} == {codec.HELLO}
    assert frames[0].fields[0] == codec.VERSION


def test_a_missing_sensor_is_no_sample_and_no_harm(start: Callable[..., BoardProcess]) -> None:
    loop = Loop(start(bare="1"))
    loop.until(lambda: len(loop.of(RangePing)) >= 20)
    assert loop.of(InertialSample) == []
    loop.link.close()


def test_a_stuck_bus_hangs_the_program_but_not_the_lease(
    start: Callable[..., BoardProcess], tmp_path: Path
) -> None:
    stuck = tmp_path / "stuck"
    board = start(stuck=str(stuck))
    hand = Hand(board)
    hand.arm()
    hand.until(lambda: level(board, "pin20") == 1, lambda: hand.valves(1000))
    stuck.touch()
    hanged_s = time.monotonic()
    hand.until(lambda: level(board, "pin20") == 0, lambda: hand.valves(1000))
    off = next(e for e in reversed(board.record()) if e.what == "pin20")
    assert off.time_s - hanged_s < LIMIT_S + 0.05  # one command may still have been taken
    hand.until(lambda: level(board, "reset") == 1)  # unfed, the watchdog bites
    stuck.unlink()


def test_killed_or_stopped_the_loop_loses_its_lease(tmp_path: Path) -> None:
    found = list(falls(5, tmp_path))
    assert len(found) == 5
    for one in found:
        assert math.isfinite(one.off_s)
        assert 0.19 < one.board_s <= one.limit_s
        assert one.off_s <= one.waited_s + one.limit_s
