"""Bars made from the plain values of a rig file."""

from __future__ import annotations

import pytest

from drivers.i2c import Bus
from drivers.range_bar import ElementBar
from drivers.rangers.build import i2c_bar, serial_bar
from drivers.rangers.i2c import I2cTraits
from drivers.rangers.uart import UartTraits
from drivers.samples import RangePing
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import AsciiRanger, PlainChip, RegisterChip, Sight
from drivers.standins.serial_port import StandInLine
from tests.drv_rangers_bench import TICK, Clock

SOUND = 344.8


@pytest.fixture
def clock() -> Clock:
    return Clock()


def sights() -> list[Sight]:
    return [Sight([0.6 + 0.05 * k]) for k in range(5)]


def run(clock: Clock, bar: ElementBar, seconds: float) -> list[RangePing]:
    pings: list[RangePing] = []
    for _ in range(round(seconds / TICK)):
        clock.now_s += TICK
        pings += bar.read(clock.now_s)
    return pings


def test_a_serial_bar_from_plain_values(clock: Clock) -> None:
    lines = {f"/dev/serial/by-path/{n}": StandInLine(clock) for n in range(5)}
    for line, sight in zip(lines.values(), sights(), strict=True):
        AsciiRanger(line, sight, first_s=0.0, answer_s=0.02)
    bar = serial_bar(
        "bar.left",
        "uart-ascii",
        list(lines),
        UartTraits(latency_s=0.02),
        opener=lambda path, baud: lines[path].open(path, baud),
    )
    pings = run(clock, bar, 1.0)
    assert {p.element for p in pings} == set(range(5))
    with pytest.raises(ValueError, match="names a port twice"):
        serial_bar("bar.left", "uart-binary", ["a", "b", "a"], UartTraits())


@pytest.mark.parametrize("kind", ["i2c", "i2c-registers"])
def test_an_i2c_bar_from_plain_values(clock: Clock, kind: str) -> None:
    wire = StandInBus()
    chip = PlainChip if kind == "i2c" else RegisterChip
    for k, sight in enumerate(sights()):
        chip(wire, 0x70 + k, sight, clock)
    bus = Bus("/dev/i2c-1", lambda path: wire)
    bar = i2c_bar("bar.left", kind, bus, range(0x70, 0x75), I2cTraits())  # type: ignore[arg-type]
    pings = run(clock, bar, 1.0)
    for ping in pings:
        truth = 0.6 + 0.05 * ping.element
        assert 0.5 * ping.echoes[0].flight_s * SOUND == pytest.approx(truth, abs=0.00501)
    assert {p.element for p in pings} == set(range(5))
    with pytest.raises(ValueError, match="names an address twice"):
        i2c_bar("bar.left", kind, bus, [0x70, 0x70], I2cTraits())  # type: ignore[arg-type]
