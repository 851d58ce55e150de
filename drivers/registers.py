"""A chip on I2C as a table of named registers in the datasheet's order, and the reading of it.

A table names its document, revision and chapter, so that each line can be held against the page.
Nothing here waits; an I2C message takes as long as the wire does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from drivers.errors import DeviceError
from drivers.i2c import (
    Bus,
    BusGoneError,
    BusRestingError,
    BusStuckError,
    I2cError,
    NoAnswerError,
    ShortReadError,
)

KINDS: Mapping[type[OSError], str] = {
    NoAnswerError: "nak",
    BusStuckError: "stuck_bus",
    BusGoneError: "no_bus",
    BusRestingError: "resting",
    ShortReadError: "short",
}


@dataclass(frozen=True, slots=True)
class Register:
    """One line of a register table. size: bytes, where a value or a buffer runs over several."""

    name: str
    address: int
    bits: str  # from bit 7 down, as the datasheet names them
    meaning: str
    size: int = 1


class Table:
    """Registers by name, ascending by address as the datasheet has them."""

    def __init__(self, document: str, registers: Iterable[Register]) -> None:
        self.document = document
        self.registers = tuple(registers)
        self.by_name = {r.name: r for r in self.registers}
        addresses = [r.address for r in self.registers]
        if addresses != sorted(set(addresses)) or len(self.by_name) != len(self.registers):
            raise ValueError(f"the table of {document} has a name or address twice or out of order")

    def __getitem__(self, name: str) -> Register:
        return self.by_name[name]


@dataclass(frozen=True, slots=True)
class Write:
    """One step of setting a chip up: a register, what it is given, how long to wait after it."""

    name: str
    value: int
    then_s: float = 0.0


class RegisterChip:
    """The registers of one chip; counts what goes wrong by kind. now_s: set before each use.

    Every call fails with one of drivers.i2c's errors.
    """

    def __init__(self, bus: Bus, address: int, table: Table, counts: Counter[str]) -> None:
        self.address, self.counts = address, counts
        self.now_s = 0.0
        self._bus, self._table = bus, table

    def block(self, name: str, size: int) -> bytes:
        """So many bytes from a register on, at most 32."""
        register = self._table[name].address
        try:
            return self._bus.registers(self.address, register, size, self.now_s)
        except I2cError as error:
            self.counts[KINDS.get(type(error), "io")] += 1
            raise

    def read(self, name: str) -> int:
        """One byte of a register."""
        return self.block(name, 1)[0]

    def write(self, name: str, *data: int) -> None:
        """Bytes into a register and those after it."""
        try:
            self._bus.write(self.address, bytes([self._table[name].address, *data]), self.now_s)
        except I2cError as error:
            self.counts[KINDS.get(type(error), "io")] += 1
            raise

    def identify(self, what: str, expected: Mapping[str, int]) -> None:
        """Check the registers that say which chip this is. Fails with one sentence."""
        for name, value in expected.items():
            got = self.read(name)
            if got != value:
                self.counts["identity"] += 1
                raise DeviceError(
                    f"the chip at I2C 0x{self.address:02X} answers {name} with 0x{got:02X}, and a "
                    f"{what} answers 0x{value:02X}; check kind, address and wiring"
                )


def signed16(high: int, low: int) -> int:
    """Two bytes as a signed number."""
    value = high << 8 | low
    return value - 0x10000 if value & 0x8000 else value
