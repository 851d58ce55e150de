"""The Pi's side of the board: greeting, clock, samples, valves, and every way a cable can fail."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import TypeVar

import pytest

from drivers.board import codec
from drivers.board_clock import GOOD_S, BoardClock
from drivers.board_devices import BoardBar, BoardInertial, BoardInputs, BoardValves
from drivers.board_link import SILENT_S, BoardLink
from drivers.board_samples import inertial
from drivers.protocols import DriverInputs, InertialSensor, RangeBar, Valves
from drivers.samples import (
    AnySample,
    DriverSample,
    InertialSample,
    RangePing,
    Validity,
    ValveCommand,
)
from drivers.standins.board_talker import BoardTalker
from drivers.standins.serial_port import StandInLine

TICK_S = 0.01
Told = TypeVar("Told")


class Bench:
    """A board on a line in memory, and the loop that reads it 100 times a second."""

    def __init__(self, identity: bytes | None = None, **talker: float) -> None:
        self.now_s = 1000.0
        self.line = StandInLine(lambda: self.now_s)
        self.talker = BoardTalker(self.line, **talker)
        self.link = BoardLink(
            "board", opener=self.line.open, usb=False, identity=identity, clock=lambda: self.now_s
        )
        self.bar = BoardBar(self.link, "bar-left")
        self.inertial = BoardInertial(self.link, "imu")
        self.inputs = BoardInputs(self.link, "driver")
        self.valves = BoardValves(self.link)
        self.samples: list[AnySample] = []

    def ticks(self) -> Iterator[float]:
        while True:
            self.now_s += TICK_S
            for device in (self.bar, self.inertial, self.inputs):
                self.samples += device.read(self.now_s)
            yield self.now_s

    def run(self, seconds: float, left: float | None = None, right: float = 0.0) -> None:
        for _, now_s in zip(range(round(seconds / TICK_S)), self.ticks(), strict=False):
            if left is not None:
                self.valves.write(ValveCommand(now_s, left, right))

    def armed(self) -> Bench:
        """After the neutral commands that arm it."""
        self.run(0.5, left=0.0)
        assert self.link.armed
        return self

    def of(self, kind: type[Told]) -> list[Told]:
        return [sample for sample in self.samples if isinstance(sample, kind)]


def test_it_stands_behind_the_protocols() -> None:
    bench = Bench()
    assert isinstance(bench.bar, RangeBar)
    assert isinstance(bench.inertial, InertialSensor)
    assert isinstance(bench.inputs, DriverInputs)
    assert isinstance(bench.valves, Valves)


def test_pings_come_in_order_with_the_instant_of_the_echo() -> None:
    bench = Bench(offset_s=77.7)
    bench.run(3)
    pings = bench.of(RangePing)
    assert len(pings) > 100
    elements = [ping.element for ping in pings]
    assert elements == [(elements[0] + n) % 5 for n in range(len(pings))]
    for ping in pings:
        assert min(abs(ping.time_s - fired_s) for fired_s in bench.talker.fired_s) < 1e-3
        flights = bench.talker.flights[ping.element]
        assert [round(echo.flight_s * 1e6) for echo in ping.echoes] == list(flights)
        assert ping.validity is (Validity.OK if flights else Validity.NOTHING)
        for echo in ping.echoes:
            assert echo.time_s == pytest.approx(ping.time_s + echo.flight_s / 2)


def test_inertial_samples_are_in_si_units_and_on_our_clock() -> None:
    # RM-MPU-6000A-00 rev 4.2: 8192 LSB/g at +-4 g; raw -521 is 35.0 degrees C (section 4.18).
    bench = Bench(offset_s=-12.0)
    bench.run(2)
    samples = bench.of(InertialSample)
    assert len(samples) > 300
    first = samples[0]
    assert first.az == pytest.approx(9.80665)
    assert first.temperature_c == pytest.approx(35.0, abs=0.01)
    times = [sample.time_s for sample in samples]
    gaps = [late - early for early, late in pairwise(times)]
    assert min(gaps) > 0.004
    assert max(gaps) < 0.006


def test_a_rate_of_100_degrees_a_second_is_told_in_radians() -> None:
    # RM-MPU-6000A-00 rev 4.2: 131 LSB per deg/s at +-250 deg/s.
    words = [0, 0, 0, 0, 0, 13100, -13100, 1310] + [0] * 24
    (sample,) = inertial("imu", [codec.MPU6050, 1, 0, *words], lambda ticks: ticks * 1e-6)
    assert sample.gx == pytest.approx(math.radians(100))
    assert sample.gy == pytest.approx(math.radians(-100))
    assert sample.gz == pytest.approx(math.radians(10))


def test_the_drivers_inputs_are_told() -> None:
    bench = Bench()
    bench.run(2)
    bench.talker.bits = codec.LEFT
    bench.run(0.1)
    before, *_, after = bench.of(DriverSample)
    assert (before.enable, before.left_hand, before.right_hand) == (True, False, False)
    assert (after.enable, after.left_hand, after.right_hand) == (False, True, False)


@pytest.mark.parametrize("offset_s", [0.0, 3333.3, 1073.0])
@pytest.mark.parametrize("drift", [-8e-5, 8e-5])
def test_the_clock_is_mapped_within_a_millisecond(offset_s: float, drift: float) -> None:
    """Frames lie about for up to 5 ms, the loop looks each 10 ms, the board's clock wraps."""
    bench = Bench(offset_s=offset_s, drift=drift, late_s=0.005)
    bench.run(2.5)
    seen = 0
    for _, now_s in zip(range(2000), bench.ticks(), strict=False):
        mapped = bench.link.clock.ours_s(bench.talker.ticks(now_s))
        if mapped is not None:
            seen += 1
            assert abs(mapped - now_s) <= bench.link.clock.bound_s + 1e-5
            assert abs(mapped - now_s) < 1e-3
    assert seen > 1000
    assert bench.link.counts["clock jumped"] == 0


def test_nothing_is_told_before_the_clock_is_mapped() -> None:
    bench = Bench()
    bench.talker.line.full = False
    next(bench.ticks())
    assert bench.samples == []
    assert bench.link.why != ""


def test_a_clock_that_jumps_is_seen_and_mapped_anew() -> None:
    clock = BoardClock()
    for n in range(100):
        clock.came(n * 10_000 + 300, n * 0.01 + 50.0004)
        clock.was_read(n * 10_000 + 100, n * 0.01 + 50.0, n * 0.01 + 50.0)
    assert clock.bound_s < GOOD_S
    clock.came(2_000_000, 51.0)  # a board's second too early
    assert clock.jumps == 1
    assert clock.bound_s == math.inf
    assert clock.ours_s(2_000_000) is None


def test_valves_are_armed_by_neutral_alone_and_name_the_newest_ping() -> None:
    bench = Bench()
    bench.run(1, left=0.5)
    assert not bench.link.armed
    assert bench.talker.outputs == []
    assert bench.link.own["not armed: a neutral command must come first"] > 50
    bench.armed().run(1, left=1.0, right=-0.25)
    assert bench.talker.outputs[-1][1:] == (1000, -250)
    assert bench.link.why_off == ""
    assert bench.link.told["stale"] == 0


def test_a_loop_that_stops_shuts_the_valves_and_must_begin_with_neutral() -> None:
    bench = Bench().armed()
    bench.run(0.5, left=1.0)
    last_s = bench.now_s
    bench.run(0.5)  # reads, but commands nothing
    at_s, *off = bench.talker.outputs[-1]
    assert off == [0, 0]
    assert at_s - last_s == pytest.approx(0.2, abs=0.02)
    assert bench.link.why_off == "the lease of 200 ms ran out"
    bench.run(0.5, left=1.0)
    assert bench.talker.outputs[-1][1:] == (0, 0)
    bench.armed().run(0.1, left=1.0)
    assert bench.talker.outputs[-1][1:] == (1000, 0)


def test_commands_from_pings_that_are_old_are_refused() -> None:
    """The loop goes on commanding, but nothing new reaches it."""
    bench = Bench().armed()
    bench.run(0.2, left=1.0)
    bench.talker.dumb = True
    bench.run(0.4, left=1.0)
    assert bench.talker.outputs[-1][1:] == (0, 0)
    assert bench.talker._stale > 5


@pytest.mark.parametrize("wrong", [math.nan, 1.5, -math.inf])
def test_what_is_no_command_is_neutral(wrong: float) -> None:
    bench = Bench().armed()
    bench.run(0.1, left=1.0)
    bench.run(0.1, left=wrong)
    assert bench.talker.outputs[-1][1:] == (0, 0)
    assert bench.link.counts["command beyond full"] > 0


def test_neutral_needs_no_command() -> None:
    bench = Bench().armed()
    bench.run(0.1, left=1.0)
    bench.valves.neutral(bench.now_s)
    assert bench.talker.outputs[-1][1:] == (0, 0)


def test_another_version_is_refused_in_a_sentence() -> None:
    bench = Bench()
    bench.talker.version = codec.VERSION + 1
    bench.run(1, left=0.0)
    assert not bench.link.greeted
    assert "speaks version 2 of the protocol, this program 1" in bench.link.why
    assert bench.samples == []


def test_another_board_is_refused_in_a_sentence() -> None:
    bench = Bench(identity=b"OTHER_01")
    bench.run(1, left=0.0)
    assert not bench.link.greeted
    assert "is another one plugged in?" in bench.link.why


def test_a_board_whose_lease_can_wait_is_refused() -> None:
    bench = Bench()
    bench.talker.flags = 0
    bench.run(1, left=0.0)
    assert not bench.link.armed
    assert "never arms" in bench.link.why


def test_a_board_that_falls_silent_is_greeted_again_and_not_armed_by_it() -> None:
    bench = Bench().armed()
    bench.run(2, left=1.0)
    bench.talker.restart()
    bench.run(SILENT_S + 0.3, left=1.0)
    assert bench.link.counts["fell silent"] == 1
    assert bench.link.counts["greeted"] == 2
    assert not bench.link.armed
    assert bench.talker.outputs[-1][1:] == (0, 0)
    count = len(bench.talker.outputs)
    bench.run(0.5, left=1.0)
    assert len(bench.talker.outputs) == count
    before = len(bench.samples)
    bench.run(2.5)
    assert len(bench.samples) > before + 300
    assert bench.link.why == ""


def test_unplugged_and_plugged_in_again() -> None:
    bench = Bench()
    bench.run(2.5)
    bench.line.unplug()
    bench.run(0.1)
    before = len(bench.samples)
    bench.run(1)
    assert len(bench.samples) == before
    assert "board" in bench.link.why
    bench.line.replug()
    bench.talker.restart()
    bench.run(5)
    assert len(bench.samples) > before + 300
    assert bench.link.port.counts["opened"] == 2


def test_bad_frames_are_counted_and_the_good_ones_pass() -> None:
    bench = Bench()
    bench.run(2.5)
    bench.talker.garble = lambda data: (
        data[:3] + b"\x5a" + data[4:] if bench.talker.random.random() < 0.5 else data
    )
    before = len(bench.samples)
    bench.run(2)
    assert len(bench.samples) > before + 100
    counts = bench.link.counts
    assert counts["bad CRC"] + counts["bad COBS"] > 50
    assert counts["lost"] > 50


def test_the_gate_is_sent_and_sent_again() -> None:
    bench = Bench()
    bench.link.gate(0.002, 0.006, 0.025, 5)
    bench.run(3.5)
    gates = [fields for _, kind, fields in bench.talker.heard if kind == codec.GATE]
    assert gates[0] == (2000, 6000, 2500, 0b11111)
    assert len(gates) >= 3
    with pytest.raises(ValueError, match="beyond the wire"):
        bench.link.gate(0.002, 0.07, 0.1, 5)


def test_closing_disarms() -> None:
    bench = Bench().armed()
    bench.run(0.1, left=1.0)
    bench.link.close()
    assert bench.talker.outputs[-1][1:] == (0, 0)
    assert bench.link.why == "closed"
