"""An I2C bus behind smbus2's calls. Chips are attached to it and see bytes, as on the wire.

Errors are those that Linux gives: EREMOTEIO where nobody acknowledges, ETIMEDOUT where a line is
held low, ENODEV once the adapter is gone. Everything asked is kept in `log`.
"""

from __future__ import annotations

import ctypes
import errno
import os
from collections import deque
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple, NoReturn, Protocol

SILENCE = 0xFF  # what a master reads while nobody drives the line: the pull-up's ones
BLOCK_MAX = 32  # smbus2 and the kernel refuse longer blocks
I2C_M_RD = 0x0001  # flag of a reading message (linux/i2c.h)


class Chip(Protocol):
    """A chip on the bus. Either call may raise Nak for a byte that it does not acknowledge."""

    def write(self, data: bytes) -> None:
        """One writing message: all bytes between the address and the stop."""
        ...

    def read(self, n: int) -> bytes:
        """Up to n bytes; what is missing is read as ones, as on the wire."""
        ...


class Nak(Exception):  # noqa: N818 - a signal from chip to bus, no error of the program
    """Raised by a chip that does not acknowledge, for instance while it is busy."""


class Told(NamedTuple):
    """One message that the bus carried: address, direction, bytes (empty where it failed)."""

    address: int
    way: Literal["write", "read"]
    data: bytes


class StandInBus:
    """Faults: nak(), stuck, short_by, unplug() and replug(); `fails` counts what was refused."""

    def __init__(self) -> None:
        self.chips: dict[int, Chip] = {}
        self.log: deque[Told] = deque(maxlen=10_000)
        self.stuck = False  # a line is held low: every call times out
        self.plugged = True  # the adapter itself
        self.short_by = 0  # block reads lose so many bytes at their end
        self.fails = 0
        self.closed = 0
        self._naks: dict[int, int] = {}

    # for tests and scenes

    def attach(self, address: int, chip: Chip) -> None:
        """Put a chip on the bus; at an address that is taken, the last one attached answers."""
        if not 0x03 <= address <= 0x77:
            raise ValueError(f"0x{address:02X} is no 7-bit address for a chip; 0x03 to 0x77 are")
        self.chips[address] = chip

    def detach(self, address: int) -> Chip:
        """Pull one chip off the bus; from then on its address is not acknowledged."""
        return self.chips.pop(address)

    def move(self, old: int, new: int) -> None:
        """A chip has taken another address."""
        self.attach(new, self.detach(old))

    def nak(self, address: int, times: int = 1) -> None:
        """The next so many messages to this address are not acknowledged."""
        self._naks[address] = times

    def unplug(self) -> None:
        """The adapter is gone, as with one on USB."""
        self.plugged = False

    def replug(self) -> None:
        self.plugged = True

    def writes(self, address: int) -> list[bytes]:
        """Every writing message that reached this address, oldest first."""
        return [t.data for t in self.log if t.address == address and t.way == "write"]

    # smbus2's calls

    def write_byte(self, i2c_addr: int, value: int, force: bool | None = None) -> None:
        self._write(i2c_addr, bytes([value]))

    def read_byte(self, i2c_addr: int, force: bool | None = None) -> int:
        return self._read(i2c_addr, 1)[0]

    def write_byte_data(
        self, i2c_addr: int, register: int, value: int, force: bool | None = None
    ) -> None:
        self._write(i2c_addr, bytes([register, value]))

    def read_byte_data(self, i2c_addr: int, register: int, force: bool | None = None) -> int:
        self._write(i2c_addr, bytes([register]))
        return self._read(i2c_addr, 1)[0]

    def read_i2c_block_data(
        self, i2c_addr: int, register: int, length: int, force: bool | None = None
    ) -> list[int]:
        if length > BLOCK_MAX:
            raise ValueError(f"a block of {length} bytes is too long; {BLOCK_MAX} are the most")
        self._write(i2c_addr, bytes([register]))
        data = self._read(i2c_addr, length)
        return list(data[: max(0, length - self.short_by)])

    def write_i2c_block_data(
        self, i2c_addr: int, register: int, data: Sequence[int], force: bool | None = None
    ) -> None:
        if len(data) > BLOCK_MAX:
            raise ValueError(f"a block of {len(data)} bytes is too long; {BLOCK_MAX} are the most")
        self._write(i2c_addr, bytes([register, *data]))

    def i2c_rdwr(self, *i2c_msgs: Any) -> None:
        """Messages in one transaction; smbus2's i2c_msg structures, filled in place.

        A short read shows as ones: the master clocks on, and nobody drives the line.
        """
        for msg in i2c_msgs:
            if msg.flags & I2C_M_RD:
                got = self._read(msg.addr, msg.len)
                kept = got[: max(0, msg.len - self.short_by)]
                ctypes.memmove(msg.buf, kept + bytes([SILENCE]) * (msg.len - len(kept)), msg.len)
            else:
                self._write(msg.addr, ctypes.string_at(msg.buf, msg.len))

    def close(self) -> None:
        self.closed += 1

    # the wire

    def _write(self, address: int, data: bytes) -> None:
        chip = self._address(address)
        self.log.append(Told(address, "write", data))
        try:
            chip.write(data)
        except Nak:
            self._fail(errno.EREMOTEIO)

    def _read(self, address: int, n: int) -> bytes:
        chip = self._address(address)
        try:
            data = chip.read(n)[:n]
        except Nak:
            self._fail(errno.EREMOTEIO)
        self.log.append(Told(address, "read", data))
        return data + bytes([SILENCE]) * (n - len(data))

    def _address(self, address: int) -> Chip:
        """The chip that acknowledges its address, or the error of the one that does not."""
        if not self.plugged:
            self._fail(errno.ENODEV)
        if self.stuck:
            self._fail(errno.ETIMEDOUT)
        left = self._naks.get(address, 0)
        if left > 0:
            self._naks[address] = left - 1
            self._fail(errno.EREMOTEIO)
        chip = self.chips.get(address)
        if chip is None:
            self._fail(errno.EREMOTEIO)
        return chip

    def _fail(self, code: int) -> NoReturn:
        self.fails += 1
        raise OSError(code, os.strerror(code))
