"""A bar of bought elements: order, pauses, times, dead elements, gates, many echoes."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from drivers import protocols
from drivers.i2c import Bus
from drivers.port import Port
from drivers.range_bar import DEAD_PERIODS, PAUSE, ElementBar
from drivers.rangers.decode import AsciiDecoder, BinaryDecoder
from drivers.rangers.i2c import I2cTraits, PlainRanger, RegisterRanger
from drivers.rangers.uart import UartRanger, UartTraits
from drivers.samples import RangePing, Validity
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import AsciiRanger, BinaryRanger, PlainChip, RegisterChip, Sight
from drivers.standins.serial_port import StandInLine
from firmware_py.sense.intake import Intake

TICK = 0.01
SOUND = 344.8


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def run(clock: Clock, bar: ElementBar, seconds: float) -> list[tuple[float, RangePing]]:
    got = []
    for _ in range(round(seconds / TICK)):
        clock.now_s = round(clock.now_s + TICK, 6)
        got += [(clock.now_s, ping) for ping in bar.read(clock.now_s)]
    return got


def sights(n: int = 5) -> list[Sight]:
    return [Sight([0.6 + 0.05 * k], seed=k) for k in range(n)]


class FiredSerial:
    """Five binary elements fired by a byte, each on a port of its own."""

    def __init__(
        self, clock: Clock, seen: list[Sight], *, answer_s: float = 0.06, **bar: object
    ) -> None:
        self.lines = [StandInLine(clock) for _ in seen]
        self.far = [
            BinaryRanger(line, sight, trigger="byte", answer_s=0.012)
            for line, sight in zip(self.lines, seen, strict=True)
        ]
        traits = UartTraits(trigger="byte", period_s=0.04, answer_s=answer_s)
        self.bar = ElementBar(
            "bar.left",
            [
                UartRanger(Port(f"p{n}", 115200, line.open), BinaryDecoder(), traits)
                for n, line in enumerate(self.lines)
            ],
            **bar,  # type: ignore[arg-type]
        )


def test_it_is_a_range_bar(clock: Clock) -> None:
    assert isinstance(FiredSerial(clock, sights()).bar, protocols.RangeBar)


@pytest.mark.parametrize("order", [None, [0, 2, 4, 1, 3]])
def test_elements_fire_in_order_and_a_pause_apart(clock: Clock, order: list[int] | None) -> None:
    rig = FiredSerial(clock, sights(), order=order)
    pings = [ping for _, ping in run(clock, rig.bar, 5.0)]
    wanted = order or [0, 1, 2, 3, 4]
    assert [p.element for p in pings[:10]] == wanted * 2
    fired = sorted(at for far in rig.far for at in far.fired)
    gaps = [b - a for a, b in pairwise(fired)]
    assert min(gaps) >= PAUSE - 1e-9
    assert max(gaps) <= PAUSE + TICK + 1e-9
    assert len(pings) == pytest.approx(5.0 / 0.03, abs=3)


def test_pings_carry_the_instants(clock: Clock) -> None:
    rig = FiredSerial(clock, [Sight([lambda t: 0.5 + 0.12 * (t - 100.0)]) for _ in range(5)])
    for now, ping in run(clock, rig.bar, 5.0):
        (echo,) = ping.echoes
        assert ping.validity is Validity.OK
        assert ping.time_s in rig.far[ping.element].fired
        assert echo.time_s == pytest.approx(ping.time_s + 0.5 * echo.flight_s, abs=1e-12)
        met = 0.5 + 0.12 * (echo.time_s - 100.0)
        assert 0.5 * echo.flight_s * SOUND == pytest.approx(met, abs=0.00051)  # half of 1 mm
        assert echo.time_s <= now


def test_nothing_heard_is_a_ping_without_echoes(clock: Clock) -> None:
    rig = FiredSerial(clock, [Sight([0.6], dropout=1.0), *sights(4)])
    pings = [ping for _, ping in run(clock, rig.bar, 2.0)]
    empty = [p for p in pings if p.validity is Validity.NOTHING]
    assert {p.element for p in empty} == {0}
    assert all(p.echoes == () for p in empty)
    assert rig.bar.dead(clock.now_s) == ()


def test_times_rise_strictly_even_when_a_later_firing_answers_first(clock: Clock) -> None:
    """Element 0 takes 55 ms to answer, the others 12: its pings are waited for."""
    rig = FiredSerial(clock, sights())
    rig.far[0].answer_s = 0.055
    pings = [ping for _, ping in run(clock, rig.bar, 5.0)]
    assert all(a.time_s < b.time_s for a, b in pairwise(pings))
    assert {p.element for p in pings} == {0, 1, 2, 3, 4}
    assert rig.bar.counts["disordered"] == 0


def test_a_dead_element_is_seen_and_holds_nobody_up(clock: Clock) -> None:
    rig = FiredSerial(clock, sights(), answer_s=0.2)
    run(clock, rig.bar, 1.0)
    rig.far[3].powered = False
    stopped = clock.now_s
    while not rig.bar.dead(clock.now_s):
        run(clock, rig.bar, TICK)
    assert rig.bar.dead(clock.now_s) == (3,)
    assert clock.now_s - stopped <= DEAD_PERIODS * 5 * 0.03  # 25 ms are three ticks: 30 ms
    late = run(clock, rig.bar, 3.0)
    assert {p.element for _, p in late} == {0, 1, 2, 4}
    assert max(now - p.time_s for now, p in late) < 0.025  # 12 ms to answer, at the next tick
    assert len(late) > 0.7 * 4 / 5 * 3.0 / 0.03
    assert rig.bar.complaints(clock.now_s) == [
        f"bar.left element 3: silent; {rig.bar.elements[3].why}",
    ]
    rig.far[3].powered = True
    assert 3 in {p.element for _, p in run(clock, rig.bar, 1.0)}
    assert rig.bar.dead(clock.now_s) == ()
    assert rig.bar.complaints(clock.now_s) == []


def test_one_unplugged_and_plugged_in_again(clock: Clock) -> None:
    rig = FiredSerial(clock, sights())
    run(clock, rig.bar, 1.0)
    rig.lines[1].unplug()
    assert {p.element for _, p in run(clock, rig.bar, 2.0)[5:]} == {0, 2, 3, 4}
    assert rig.bar.dead(clock.now_s) == (1,)
    (complaint,) = rig.bar.complaints(clock.now_s)
    assert complaint.startswith("bar.left element 1: silent; p1 ")
    rig.lines[1].replug()
    run(clock, rig.bar, 2.5)
    assert {p.element for _, p in run(clock, rig.bar, 1.0)} == {0, 1, 2, 3, 4}


def test_all_unplugged_gives_no_samples(clock: Clock) -> None:
    rig = FiredSerial(clock, sights())
    run(clock, rig.bar, 1.0)
    for line in rig.lines:
        line.unplug()
    run(clock, rig.bar, 0.2)
    assert run(clock, rig.bar, 2.0) == []
    assert rig.bar.dead(clock.now_s) == (0, 1, 2, 3, 4)
    rig.bar.close()
    assert run(clock, rig.bar, 0.0) == []


def test_elements_running_free_get_times_of_their_own(clock: Clock) -> None:
    """Five that answer within one read: their pings still differ in time."""
    lines = [StandInLine(clock) for _ in range(5)]
    for line, sight in zip(lines, sights(), strict=True):
        AsciiRanger(line, sight, first_s=100.0033, answer_s=0.02)
    traits = UartTraits(latency_s=0.02 + 60 / 9600)
    bar = ElementBar(
        "bar.left",
        [UartRanger(Port("p", 9600, line.open), AsciiDecoder(), traits) for line in lines],
    )
    pings = [ping for _, ping in run(clock, bar, 5.0)]
    assert len(pings) >= 5 * 48
    assert all(a.time_s < b.time_s for a, b in pairwise(pings))
    for ping in pings:
        phase = (ping.time_s - 100.0033 + 0.05) % 0.1 - 0.05
        assert abs(phase) <= 0.5 * TICK + 1e-5
    assert bar.dead(clock.now_s) == ()


def test_the_controllers_intake_takes_every_ping(clock: Clock) -> None:
    rig = FiredSerial(clock, [Sight([0.6], noise_m=0.002, dropout=0.1, seed=k) for k in range(5)])
    gate = Intake("bar.left", 5, RangePing)
    rig.far[0].answer_s = 0.055
    pings = run(clock, rig.bar, 10.0)
    assert all(gate.accept(ping, now) for now, ping in pings), gate.why
    assert gate.count == len(pings) > 300


def test_plain_i2c_elements_on_one_bus(clock: Clock) -> None:
    wire = StandInBus()
    chips = [PlainChip(wire, 0x70 + k, sight, clock) for k, sight in enumerate(sights())]
    bus = Bus("/dev/i2c-1", lambda path: wire)
    bar = ElementBar("bar.left", [PlainRanger(bus, 0x70 + k, I2cTraits()) for k in range(5)])
    pings = [ping for _, ping in run(clock, bar, 5.0)]
    fired = sorted(at for chip in chips for at in chip.fired)
    assert min(b - a for a, b in pairwise(fired)) >= PAUSE - 1e-9
    assert len(pings) == pytest.approx(5.0 / 0.03, abs=8)
    assert all(a.time_s < b.time_s for a, b in pairwise(pings))
    for ping in pings:
        truth = 0.6 + 0.05 * ping.element
        assert 0.5 * ping.echoes[0].flight_s * SOUND == pytest.approx(truth, abs=0.00501)  # 1 cm
    wire.stuck = True
    run(clock, bar, 0.3)
    before = wire.fails
    assert run(clock, bar, 5.0) == []
    assert wire.fails - before < 10  # each costs the loop a timeout
    assert bar.dead(clock.now_s) == (0, 1, 2, 3, 4)
    wire.stuck = False
    run(clock, bar, 2.0)
    assert {p.element for _, p in run(clock, bar, 1.0)} == {0, 1, 2, 3, 4}


@pytest.mark.parametrize(("echoes", "most"), [("one", 1), ("many", 3)])
def test_one_echo_or_many(clock: Clock, echoes: str, most: int) -> None:
    wire = StandInBus()
    for k in range(5):
        RegisterChip(wire, 0x70 + k, Sight([0.6, 0.9, 1.2]), clock)
    bus = Bus("/dev/i2c-1", lambda path: wire)
    traits = I2cTraits(echoes=4, period_s=0.02)
    bar = ElementBar(
        "bar.left",
        [RegisterRanger(bus, 0x70 + k, traits) for k in range(5)],
        echoes=echoes,  # type: ignore[arg-type]
    )
    pings = [ping for _, ping in run(clock, bar, 2.0)]
    assert {len(p.echoes) for p in pings} == {most}
    for ping in pings:
        times = [echo.time_s for echo in ping.echoes]
        assert times == sorted(times)


def test_the_gate_goes_to_those_that_take_it(clock: Clock) -> None:
    wire = StandInBus()
    chip = RegisterChip(wire, 0x70, Sight([0.3, 0.6, 0.9]), clock)
    PlainChip(wire, 0x71, Sight([0.6]), clock)
    bus = Bus("/dev/i2c-1", lambda path: wire)
    elements = [
        RegisterRanger(bus, 0x70, I2cTraits(echoes=4, period_s=0.02)),
        PlainRanger(bus, 0x71, I2cTraits()),
    ]
    bar = ElementBar("bar.left", elements, echoes="many")
    bar.gate(0.5, 0.7)
    pings = [ping for _, ping in run(clock, bar, 1.0)]
    assert chip.range_register == 16  # 17 steps of 43 mm are 731 mm
    assert {len(p.echoes) for p in pings if p.element == 0} == {1}
    assert all(0.5 < 0.5 * e.flight_s * SOUND < 0.7 for p in pings for e in p.echoes)


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [0, 1, 2, 3, 3], [1, 2, 3, 4, 5]])
def test_an_order_that_leaves_one_out_is_refused(clock: Clock, order: list[int]) -> None:
    with pytest.raises(ValueError, match="must name each of 5 elements once"):
        FiredSerial(clock, sights(), order=order)


def test_a_line_full_of_rubbish_gives_a_bar_nothing_beyond_theory(clock: Clock) -> None:
    """10^6 random bytes on one of five lines, at 115200 baud. Of the places 2^-16 x 10001 / 2^16
    pass the sum: 2.3 in all; a gate of 100 mm would pass one in a hundred of those.
    """
    rig = FiredSerial(clock, sights())
    gen = random.Random(11)
    rig.far[2].powered = False
    count = within = 0
    for _ in range(10_000):
        rig.lines[2].say(gen.randbytes(100), clock.now_s)
        for _, ping in run(clock, rig.bar, TICK):
            if ping.element == 2:
                count += 1
                within += any(0.65 < 0.5 * e.flight_s * SOUND < 0.75 for e in ping.echoes)
    assert count <= 2.3 + 5 * 2.3**0.5 + 1
    assert within == 0
    assert rig.bar.elements[2].port.counts["in"] >= 990_000  # type: ignore[attr-defined]
    assert len(rig.far[0].fired) > 500
