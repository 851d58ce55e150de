"""The I2C bus: what Linux calls wrong, in words; a bus in trouble is left alone for a while."""

from __future__ import annotations

import errno
import itertools
from collections.abc import Callable

import pytest
from smbus2 import SMBus, i2c_msg

from drivers.errors import DeviceError
from drivers.i2c import (
    FIRST_PAUSE,
    LONGEST_PAUSE,
    Bus,
    BusGoneError,
    BusRestingError,
    BusStuckError,
    I2cError,
    NoAnswerError,
    ShortReadError,
    mapped,
    open_bus,
)
from drivers.standins.i2c_bus import Nak, StandInBus

AT = 0x40


class Memory:
    """A chip of 16 registers with a pointer that counts on."""

    def __init__(self) -> None:
        self.data = bytearray(range(16))
        self.pointer = 0
        self.busy = False

    def write(self, data: bytes) -> None:
        if self.busy:
            raise Nak
        self.pointer = data[0]
        for value in data[1:]:
            self.data[self.pointer] = value
            self.pointer += 1

    def read(self, n: int) -> bytes:
        if self.busy:
            raise Nak
        out = bytes(self.data[self.pointer : self.pointer + n])
        self.pointer += n
        return out


@pytest.fixture
def wire() -> StandInBus:
    bus = StandInBus()
    bus.attach(AT, Memory())
    return bus


@pytest.fixture
def bus(wire: StandInBus) -> Bus:
    return Bus("/dev/i2c-1", lambda path: wire)


def test_each_of_smbus2s_calls_reaches_the_chip(wire: StandInBus) -> None:
    wire.write_byte_data(AT, 2, 0xAB)
    assert wire.read_byte_data(AT, 2) == 0xAB
    wire.write_i2c_block_data(AT, 4, [1, 2, 3])
    assert wire.read_i2c_block_data(AT, 3, 5) == [3, 1, 2, 3, 7]
    wire.write_byte(AT, 9)
    assert wire.read_byte(AT) == 9
    read = i2c_msg.read(AT, 3)
    wire.i2c_rdwr(i2c_msg.write(AT, [4]), read)
    assert list(read) == [1, 2, 3]
    assert wire.writes(AT) == [b"\x02\xab", b"\x02", b"\x04\x01\x02\x03", b"\x03", b"\x09", b"\x04"]


def test_the_stand_in_has_the_calls_of_the_real_one() -> None:
    names = (
        "write_byte read_byte write_byte_data read_byte_data "
        "read_i2c_block_data write_i2c_block_data i2c_rdwr close"
    )
    for name in names.split():
        assert callable(getattr(SMBus, name))
        assert callable(getattr(StandInBus, name))


def test_what_a_chip_does_not_drive_reads_as_ones(wire: StandInBus) -> None:
    assert wire.read_i2c_block_data(AT, 14, 4) == [14, 15, 0xFF, 0xFF]


def test_the_wrapper_writes_and_reads(wire: StandInBus, bus: Bus) -> None:
    bus.write(AT, b"\x05", 0.0)
    assert bus.read(AT, 2, 0.0) == b"\x05\x06"
    bus.write(AT, b"\x05\x50", 0.0)
    bus.write(AT, b"\x06\x60\x70\x80", 0.0)
    assert bus.registers(AT, 5, 4, 0.0) == b"\x50\x60\x70\x80"
    assert bus.counts == {"opened": 1}
    bus.close()
    assert wire.closed == 1


def test_nobody_at_an_address(wire: StandInBus, bus: Bus) -> None:
    with pytest.raises(NoAnswerError, match=r"/dev/i2c-1, address 0x41 does not answer"):
        bus.read(0x41, 1, 0.0)
    assert bus.read(AT, 1, 0.0)  # the others go on at once
    assert not bus.answers(0x41, 0.0)
    assert bus.answers(AT, 0.0)
    assert bus.counts["NoAnswerError"] == 2


def test_a_busy_chip_is_no_broken_bus(wire: StandInBus, bus: Bus) -> None:
    chip = Memory()
    wire.attach(0x50, chip)
    chip.busy = True
    with pytest.raises(NoAnswerError):
        bus.write(0x50, b"\x00", 0.0)
    chip.busy = False
    bus.write(0x50, b"\x00", 0.0)
    wire.nak(0x50, times=2)
    for _ in range(2):
        with pytest.raises(NoAnswerError):
            bus.read(0x50, 1, 0.0)
    assert bus.read(0x50, 1, 0.0) == b"\x00"


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (errno.EREMOTEIO, NoAnswerError),
        (errno.ENXIO, NoAnswerError),
        (errno.EIO, NoAnswerError),
        (errno.ETIMEDOUT, BusStuckError),
        (errno.EAGAIN, BusStuckError),
        (errno.ENODEV, BusGoneError),
        (errno.ENOENT, BusGoneError),
        (errno.EPERM, I2cError),
    ],
)
def test_linux_errors_in_words(code: int, kind: type[I2cError]) -> None:
    """Linux, Documentation/i2c/fault-codes.rst, from memory; EREMOTEIO is i2c-bcm2835's NAK."""
    error = mapped(OSError(code, "x"), "bus")
    assert type(error) is kind
    assert isinstance(error, DeviceError)
    assert isinstance(error, OSError)
    assert str(error).startswith("bus")


def test_a_stuck_bus_is_tried_rarely(wire: StandInBus, bus: Bus) -> None:
    wire.stuck = True
    tried = []
    for n in range(1000):
        before = wire.fails
        with pytest.raises((BusStuckError, BusRestingError)):
            bus.read(AT, 1, 0.01 * n)
        if wire.fails > before:
            tried.append(0.01 * n)
    gaps = [b - a for a, b in itertools.pairwise(tried)]
    assert gaps[:4] == pytest.approx([FIRST_PAUSE, 0.2, 0.4, 0.8], abs=0.011)
    assert gaps[-1] == pytest.approx(LONGEST_PAUSE, abs=0.011)
    assert "the bus is stuck" in bus.why
    wire.stuck = False
    assert bus.read(AT, 1, 20.0)
    assert bus.why == ""
    assert bus.counts["BusStuckError"] == len(tried)


def test_the_adapter_is_unplugged_and_comes_back(wire: StandInBus) -> None:
    opened = []

    def opener(path: str) -> StandInBus:
        opened.append(path)
        if not wire.plugged:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory", path)
        return wire

    bus = Bus("/dev/i2c-7", opener)
    bus.write(AT, b"\x01", 0.0)
    wire.unplug()
    with pytest.raises(BusGoneError, match="the bus is not there"):
        bus.write(AT, b"\x01", 1.0)
    assert not bus.is_open
    with pytest.raises(BusRestingError):
        bus.write(AT, b"\x01", 1.05)
    with pytest.raises(BusGoneError):
        bus.write(AT, b"\x01", 1.2)
    wire.replug()
    bus.write(AT, b"\x01", 2.0)
    assert bus.counts == {"opened": 2, "BusGoneError": 2}
    assert len(opened) == 3


def test_a_short_read_is_refused(wire: StandInBus, bus: Bus) -> None:
    wire.short_by = 1
    with pytest.raises(ShortReadError, match="gave 3 bytes of 4"):
        bus.registers(AT, 0, 4, 0.0)
    assert bus.counts["ShortReadError"] == 1
    assert bus.read(AT, 2, 0.0)[1] == 0xFF  # a plain message is clocked to its end: ones
    wire.short_by = 0
    assert bus.registers(AT, 0, 4, 0.0) == b"\x00\x01\x02\x03"


def test_no_such_bus_on_this_machine() -> None:
    bus = Bus("/dev/i2c-none")
    with pytest.raises(BusGoneError):
        bus.read(AT, 1, 0.0)
    with pytest.raises(FileNotFoundError):
        open_bus("/dev/i2c-none")


@pytest.mark.parametrize(
    "call",
    [
        lambda bus: bus.read_i2c_block_data(AT, 0, 33),
        lambda bus: bus.write_i2c_block_data(AT, 0, [0] * 33),
        lambda bus: bus.attach(0x78, Memory()),
        lambda bus: bus.attach(0x02, Memory()),
    ],
)
def test_the_stand_in_refuses_what_the_kernel_does(
    wire: StandInBus, call: Callable[[StandInBus], object]
) -> None:
    with pytest.raises(ValueError, match=r"too long|no 7-bit address"):
        call(wire)
