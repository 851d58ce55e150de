"""I2C range elements: the datasheets' words, and all that goes wrong on a bus."""

from __future__ import annotations

import random

import pytest

from drivers.i2c import Bus
from drivers.rangers.i2c import I2cTraits, PlainRanger, RegisterRanger
from drivers.rangers.reading import Reading
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import FAR, PlainChip, RegisterChip, Sight
from tests.drv_rangers_bench import TICK, Clock, range_m, run


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def wire() -> StandInBus:
    return StandInBus()


@pytest.fixture
def bus(wire: StandInBus) -> Bus:
    return Bus("/dev/i2c-1", lambda path: wire)


def test_plain_a_reading_by_the_datasheets_words(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """PD11848k p. 3: write 81 (0x51); about 80 ms later read two bytes, high first, in cm."""
    chip = PlainChip(wire, 0x70, Sight([1.23]), clock)
    element = PlainRanger(bus, 0x70, I2cTraits())
    assert element.fire(0.0)
    assert wire.writes(0x70) == [b"\x51"]
    clock.now_s = 0.07
    assert element.collect(0.07) == []  # not asked yet
    clock.now_s = 0.08
    assert element.collect(0.08) == [Reading(0.0, pytest.approx((2 * 1.23 / 344.8,)), 0.0)]
    assert wire.log[-1].data == b"\x00\x7b"
    assert chip.fired == [0.0]


def test_plain_deaf_while_it_ranges(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    PlainChip(wire, 0x70, Sight([1.23]), clock, ranging_s=0.095)
    element = PlainRanger(bus, 0x70, I2cTraits())
    ((now, reading),) = run(clock, element, 0.11)
    assert (now, reading.fired_s) == pytest.approx((0.11, 0.01))
    assert bus.counts["NoAnswerError"] == 2  # at 90 and 100 ms
    assert element.counts["missed"] == 0
    assert element.why == ""


def test_plain_in_mm_by_setting(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    chip = PlainChip(wire, 0x70, Sight([1.234]), clock)
    chip.unit_m = 1e-3
    element = PlainRanger(bus, 0x70, I2cTraits(unit="mm"))
    assert range_m(run(clock, element, 0.3)[0][1]) == pytest.approx(1.234, abs=0.0005)


def test_plain_too_near_and_nothing(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    sight = Sight([0.1])
    PlainChip(wire, 0x70, sight, clock)
    element = PlainRanger(bus, 0x70, I2cTraits())
    assert {r.flights_s for _, r in run(clock, element, 0.3)} == {()}
    sight.distances = [FAR]
    assert {r.flights_s for _, r in run(clock, element, 0.5)[1:]} == {()}


def test_plain_another_chip_at_the_address(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    class Other:
        def write(self, data: bytes) -> None: ...

        def read(self, n: int) -> bytes:
            return b"\x68\x00"[:n]

    wire.attach(0x70, Other())
    element = PlainRanger(bus, 0x70, I2cTraits())
    assert run(clock, element, 0.5) == []
    assert "address 0x70 gave 0x6800, no range of this model; is it another chip?" in element.why


@pytest.mark.parametrize("kind", ["plain", "registers"])
def test_i2c_absent_short_stuck_unplugged_and_back(
    clock: Clock, wire: StandInBus, bus: Bus, kind: str
) -> None:
    chip: PlainChip | RegisterChip
    element: PlainRanger | RegisterRanger
    if kind == "plain":
        chip, element = PlainChip(wire, 0x70, Sight(), clock), PlainRanger(bus, 0x70, I2cTraits())
    else:
        chip = RegisterChip(wire, 0x70, Sight(), clock)
        element = RegisterRanger(bus, 0x70, I2cTraits())
    assert run(clock, element, 0.5)
    wire.detach(0x70)
    run(clock, element, 0.2)
    assert run(clock, element, 0.5) == []
    assert "does not answer" in element.why
    wire.attach(0x70, chip)
    assert run(clock, element, 0.5)
    wire.short_by = 1
    run(clock, element, 0.2)
    if kind == "registers":
        assert run(clock, element, 0.5) == []
        assert "bytes of" in element.why
    wire.short_by, wire.stuck = 0, True
    run(clock, element, 0.3)
    assert run(clock, element, 0.5) == []
    assert "stuck" in element.why
    wire.stuck = False
    assert run(clock, element, 2.5)
    wire.unplug()
    run(clock, element, 0.3)
    assert run(clock, element, 0.5) == []
    wire.replug()
    got = run(clock, element, 3.0)
    assert got
    assert range_m(got[-1][1]) == pytest.approx(0.6, abs=0.005)
    assert element.why == ""


def test_plain_a_last_byte_that_is_lost_is_no_range(
    clock: Clock, wire: StandInBus, bus: Bus
) -> None:
    """Nobody drives the line, so ones are read: 0x00FF would be 255 cm, 0xFFFF is refused.

    There is no checksum: a low byte of ones is a possible range, and the gate must find it.
    """
    PlainChip(wire, 0x70, Sight(), clock)
    element = PlainRanger(bus, 0x70, I2cTraits())
    wire.short_by = 2
    assert run(clock, element, 1.0) == []
    assert "does not finish ranging" in element.why
    wire.short_by = 1
    assert {round(100 * range_m(r)) for _, r in run(clock, element, 1.0)} == {255}


def test_registers_give_several_echoes_as_flight(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """SRF08, "Commands": 0x52 gives microseconds. By hand: 2 x 0.600 / 344.8 = 3480 us."""
    RegisterChip(wire, 0x72, Sight([0.9, 0.6, 1.4]), clock)
    element = RegisterRanger(bus, 0x72, I2cTraits(echoes=4, gain=8, blind_m=0.03))
    element.gate(0.4, 1.0)
    (_, reading), *_ = run(clock, element, 0.2)
    assert reading.flights_s == pytest.approx((0.003480, 0.005220), abs=1e-6)
    # identity, gain, range register: 24 steps of 43 mm are 1.032 m, so 23; then the command
    assert wire.writes(0x72)[:4] == [b"\x00", b"\x01\x08", b"\x02\x17", b"\x00\x52"]
    assert element.revision == 0x0A


def test_registers_one_echo_is_one(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    RegisterChip(wire, 0x72, Sight([0.9, 0.6]), clock)
    element = RegisterRanger(bus, 0x72, I2cTraits(echoes=1))
    assert {len(r.flights_s) for _, r in run(clock, element, 1.0)} == {1}


def test_registers_a_nearer_gate_answers_sooner(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    RegisterChip(wire, 0x72, Sight([0.6]), clock)
    element = RegisterRanger(bus, 0x72, I2cTraits(period_s=0.02))
    slow = len(run(clock, element, 2.0))
    element.gate(0.2, 1.0)
    assert len(run(clock, element, 2.0)) > 2 * slow


def test_registers_another_chip_at_the_address(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    chip = RegisterChip(wire, 0x72, Sight(), clock)
    chip.revision = 0x00
    element = RegisterRanger(bus, 0x72, I2cTraits())
    assert run(clock, element, 0.5) == []
    assert "gave revision 0x00; is it another chip?" in element.why
    chip.revision = 0x0A
    assert run(clock, element, 0.5)
    chip.revision = 0x0B  # changed while it runs
    run(clock, element, 0.5)
    assert element.counts["changed"] == 1


def test_registers_set_up_again_after_its_power_went(
    clock: Clock, wire: StandInBus, bus: Bus
) -> None:
    chip = RegisterChip(wire, 0x72, Sight(), clock)
    element = RegisterRanger(bus, 0x72, I2cTraits(gain=5))
    element.gate(0.2, 1.0)
    run(clock, element, 0.5)
    wire.detach(0x72)
    run(clock, element, 0.5)
    chip.power_cycle()
    wire.attach(0x72, chip)
    assert run(clock, element, 0.5)
    assert (chip.gain, chip.range_register) == (5, 23)


def test_registers_read_fuzz(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """10^6 random bytes as answers: no exception, and nothing outside the gate is handed up."""
    gen = random.Random(8)

    class Noise:
        def write(self, data: bytes) -> None: ...

        def read(self, n: int) -> bytes:
            return (
                b"\x0a"
                if n == 1
                else bytes([gen.choice((0x0A, gen.randrange(256)))]) + (gen.randbytes(n - 1))
            )

    wire.attach(0x72, Noise())
    element = RegisterRanger(bus, 0x72, I2cTraits(echoes=15, wait_s=0.0, period_s=0.01))
    element.gate(0.5, 0.7)
    total = 0
    while total < 1_000_000:
        clock.now_s += TICK
        total += 32
        if element.ready(clock.now_s):
            element.fire(clock.now_s)
        for reading in element.collect(clock.now_s + TICK):
            assert all(0.5 < 0.5 * f * 344.8 < 0.7 for f in reading.flights_s)


def test_plain_every_answer_there_is(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """Theory: no checksum; of all 65536 answers the 744 from 21 to 764 cm are ranges."""
    answers = [n.to_bytes(2, "big") for n in range(65536)]
    random.Random(9).shuffle(answers)
    queue = iter(answers)

    class Noise:
        def write(self, data: bytes) -> None: ...

        def read(self, n: int) -> bytes:
            return next(queue)

    wire.attach(0x70, Noise())
    element = PlainRanger(bus, 0x70, I2cTraits(wait_s=0.0, answer_s=0.0, period_s=1e-3))
    ranges = 0
    for n in range(len(answers)):
        now = 0.01 * n
        assert element.fire(now)
        ranges += sum(bool(reading.flights_s) for reading in element.collect(now + 0.001))
        assert element.pending_s is None
    assert ranges == 744


@pytest.mark.parametrize("echoes", [0, 16])
def test_echoes_that_do_not_fit_a_block(bus: Bus, echoes: int) -> None:
    with pytest.raises(ValueError, match="1 to 15 are right"):
        RegisterRanger(bus, 0x70, I2cTraits(echoes=echoes))
