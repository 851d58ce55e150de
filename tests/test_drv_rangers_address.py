"""Addresses of I2C rangers: the datasheets' words, each refusal, and what is noticed after."""

from __future__ import annotations

import pytest

from drivers.i2c import Bus, I2cError
from drivers.rangers.address import AddressError, present, refusal, set_address
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import PlainChip, RegisterChip, Sight
from tests.drv_rangers_bench import Clock


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def wire() -> StandInBus:
    return StandInBus()


@pytest.fixture
def bus(wire: StandInBus) -> Bus:
    return Bus("/dev/i2c-1", lambda path: wire)


def waiting(clock: Clock) -> dict[str, object]:
    def wait(seconds: float) -> None:
        clock.now_s += seconds

    return {"clock": clock, "wait": wait}


def test_address_plain_by_the_datasheets_words(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """PD11848k p. 3: 170, 165 and the new address as 8 bits in one message to the old one."""
    chip = PlainChip(wire, 0x70, Sight([1.23]), clock)
    assert set_address(bus, 0x70, 0x65, "plain", **waiting(clock)) == 123  # type: ignore[arg-type]
    assert wire.writes(0x70) == [bytes([170, 165, 0x65 << 1])]
    assert wire.writes(0x65) == [b"\x51"]
    assert chip.readdressed == [0x65]
    assert present(bus, range(0x60, 0x78), clock.now_s) == [0x65]


def test_address_registers_by_its_words(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """SRF08, "Changing the I2C Bus Address": A0, AA, A5, then the address; four writes to 0."""
    RegisterChip(wire, 0x70, Sight([1.23]), clock)
    raw = set_address(bus, 0x70, 0x72, "registers", **waiting(clock))  # type: ignore[arg-type]
    assert raw == 123
    assert wire.writes(0x70) == [b"\x00\xa0", b"\x00\xaa", b"\x00\xa5", b"\x00\xe4"]


def test_five_elements_one_at_a_time(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    """Each new one comes at 0x70; the last keeps it."""
    for new in (0x71, 0x72, 0x73, 0x74):
        PlainChip(wire, 0x70, Sight([0.6]), clock)
        assert set_address(bus, 0x70, new, "plain", **waiting(clock)) == 60  # type: ignore[arg-type]
    PlainChip(wire, 0x70, Sight([0.6]), clock)
    assert present(bus, range(0x70, 0x78), clock.now_s) == [0x70, 0x71, 0x72, 0x73, 0x74]


@pytest.mark.parametrize(
    ("new", "kind", "words"),
    [
        (0x07, "plain", "no address for a chip"),
        (0x78, "plain", "no address for a chip"),
        (0x28, "plain", "refused by these chips"),  # 80 as 8 bits
        (0x52, "plain", "refused by these chips"),  # 164
        (0x55, "plain", "refused by these chips"),  # 170
        (0x6F, "registers", "not for these chips"),
        (0x78, "registers", "no address for a chip"),
        (0x08, "plain", ""),
        (0x77, "plain", ""),
        (0x70, "registers", ""),
        (0x77, "registers", ""),
    ],
)
def test_which_addresses_are_refused(new: int, kind: str, words: str) -> None:
    said = refusal(new, kind)  # type: ignore[arg-type]
    assert words in said
    assert bool(words) == bool(said)


def failed(bus: Bus, clock: Clock, old: int, new: int) -> str:
    with pytest.raises(AddressError) as caught:
        set_address(bus, old, new, "plain", **waiting(clock))  # type: ignore[arg-type]
    return str(caught.value)


def test_address_not_changed_is_told(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    assert "nothing answers at 0x70" in failed(bus, clock, 0x70, 0x71)
    chip = PlainChip(wire, 0x70, Sight(), clock)
    assert "is 0x70 already" in failed(bus, clock, 0x70, 0x70)
    assert "refused by these chips" in failed(bus, clock, 0x70, 0x28)
    PlainChip(wire, 0x71, Sight(), clock)
    assert "0x71 is taken" in failed(bus, clock, 0x70, 0x71)
    assert wire.writes(0x70) == []  # nothing was written in any of these
    chip.deaf_to = (0x72 << 1,)
    assert "did not take the new address" in failed(bus, clock, 0x70, 0x72)


def test_two_chips_at_the_old_address_are_noticed_after(
    clock: Clock, wire: StandInBus, bus: Bus
) -> None:
    """Two that both obey cannot be told from one; a deaf one stays behind and can."""
    first = PlainChip(wire, 0x70, Sight(), clock)

    class Both:
        def write(self, data: bytes) -> None:
            first.write(data)
            if 0x70 not in wire.chips:
                wire.attach(0x70, first)

        def read(self, n: int) -> bytes:
            return first.read(n)

    wire.attach(0x70, Both())
    assert "there were two chips" in failed(bus, clock, 0x70, 0x71)


TROUBLE = {"stuck": "the bus is stuck", "unplug": "is not there", "short": "gave 1 bytes of 2"}


@pytest.mark.parametrize("fault", TROUBLE)
def test_a_bus_in_trouble_is_told_in_a_sentence(
    clock: Clock, wire: StandInBus, bus: Bus, fault: str
) -> None:
    """Stuck or gone: nothing was written. A short answer of the proof: it has moved, unproven."""
    chip = RegisterChip(wire, 0x70, Sight([1.2]), clock)
    wire.stuck, wire.plugged = fault == "stuck", fault != "unplug"
    wire.short_by = int(fault == "short")
    with pytest.raises(I2cError, match=TROUBLE[fault]):
        set_address(bus, 0x70, 0x72, "registers", **waiting(clock))  # type: ignore[arg-type]
    assert chip.readdressed == ([0x72] if fault == "short" else [])


def test_a_chip_that_vanishes_is_told(clock: Clock, wire: StandInBus, bus: Bus) -> None:
    chip = PlainChip(wire, 0x70, Sight(), clock)
    chip._readdress = lambda eight_bits: wire.detach(0x70)  # type: ignore[method-assign, assignment, return-value]
    assert "neither 0x70 nor 0x71 answers" in failed(bus, clock, 0x70, 0x71)
