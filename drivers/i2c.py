"""An I2C bus for drivers: smbus2's calls behind one wrapper that maps errors and never hangs on.

Linux tells a missing acknowledge as EREMOTEIO or ENXIO (by adapter), a line held low as ETIMEDOUT
or EAGAIN, and an adapter that is gone as ENODEV. A bus in trouble is left alone for a while, as
each try on it costs the loop up to the adapter's own timeout.
"""

from __future__ import annotations

import errno
import fcntl
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

from drivers.errors import DeviceError

ADDRESSES = range(0x03, 0x78)  # 7-bit addresses for chips; the rest is reserved (UM10204 3.1.12)
BLOCK_MAX = 32  # bytes in one block call, a limit of the kernel's interface
I2C_RETRIES, I2C_TIMEOUT = 0x0701, 0x0702  # ioctls of linux/i2c-dev.h
TIMEOUT_MS = 10  # of one message; the kernel's default of 1 s would stop the loop
FIRST_PAUSE, LONGEST_PAUSE = 0.1, 2.0  # s; a bus in trouble is tried again after, and at most after

NAK = {errno.EREMOTEIO, errno.ENXIO, errno.EIO}  # EIO: some adapters on USB
STUCK = {errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY}
GONE = {errno.ENODEV, errno.ENOENT, errno.EBADF}

T = TypeVar("T")


class I2cError(DeviceError):
    """Something went wrong on an I2C bus."""


class NoAnswerError(I2cError):
    """No chip acknowledged: it is absent, unpowered or busy."""


class BusStuckError(I2cError):
    """A line of the bus is held low."""


class BusGoneError(I2cError):
    """The adapter is not there."""


class BusRestingError(I2cError):
    """The bus was in trouble a moment ago and is not tried now; nothing was sent."""


class ShortReadError(I2cError):
    """Fewer bytes came than were asked for."""


class I2cBus(Protocol):
    """The calls of smbus2.SMBus that drivers use."""

    def write_byte(self, i2c_addr: int, value: int) -> None: ...

    def read_byte(self, i2c_addr: int) -> int: ...

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None: ...

    def read_byte_data(self, i2c_addr: int, register: int) -> int: ...

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]: ...

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None: ...

    def i2c_rdwr(self, *i2c_msgs: Any) -> None: ...

    def close(self) -> None: ...


Opener = Callable[[str], I2cBus]


def open_bus(path: str) -> I2cBus:
    """The bus at a path such as /dev/i2c-1, with a short timeout and no retries of the kernel's."""
    from smbus2 import SMBus

    bus = SMBus(path)
    try:
        fcntl.ioctl(bus.fd or -1, I2C_TIMEOUT, max(1, TIMEOUT_MS // 10))  # in units of 10 ms
        fcntl.ioctl(bus.fd or -1, I2C_RETRIES, 0)
    except OSError:
        bus.close()
        raise
    return bus


def mapped(error: OSError, where: str) -> I2cError:
    """The error in words; `where` names bus and address."""
    if error.errno in NAK:
        return NoAnswerError(
            f"{where} does not answer; look at its power, its wires and its address"
        )
    if error.errno in STUCK:
        words = "look for a chip that holds a line low, and at the pull-ups; switch its power off"
        return BusStuckError(f"{where}: the bus is stuck; {words}")
    if error.errno in GONE:
        return BusGoneError(
            f"{where}: the bus is not there; look at the adapter and at dtparam=i2c_arm"
        )
    return I2cError(f"{where}: {error.strerror or error}")


class Bus:
    """One bus, opened when first needed and again after it was gone; shared by its chips.

    Each call raises an I2cError. `counts` has one entry a class of error, and `opened`.
    """

    def __init__(self, path: str, opener: Opener = open_bus) -> None:
        self.path = path
        self.counts: Counter[str] = Counter()
        self.why = ""  # the last error's sentence; empty while all is well
        self._opener = opener
        self._bus: I2cBus | None = None
        self._pause = 0.0
        self._not_before: float | None = None

    @property
    def is_open(self) -> bool:
        return self._bus is not None

    def write(self, address: int, data: bytes, now_s: float) -> None:
        """One writing message of one byte or more."""
        if len(data) == 1:
            self._do(address, now_s, lambda bus: bus.write_byte(address, data[0]))
        elif len(data) == 2:
            self._do(address, now_s, lambda bus: bus.write_byte_data(address, *data))
        else:
            self._do(
                address,
                now_s,
                lambda bus: bus.write_i2c_block_data(address, data[0], list(data[1:])),
            )

    def read(self, address: int, n: int, now_s: float) -> bytes:
        """One reading message, with no register named before it."""
        from smbus2 import i2c_msg

        msg = i2c_msg.read(address, n)
        self._do(address, now_s, lambda bus: bus.i2c_rdwr(msg))
        return self._whole(address, bytes(list(msg)), n)  # type: ignore[call-overload]

    def registers(self, address: int, register: int, n: int, now_s: float) -> bytes:
        """n registers from the first one named, at most 32."""
        got = self._do(address, now_s, lambda bus: bus.read_i2c_block_data(address, register, n))
        return self._whole(address, bytes(got), n)

    def answers(self, address: int, now_s: float) -> bool:
        """Whether a chip acknowledges this address; it is read one byte, nothing is written."""
        try:
            self._do(address, now_s, lambda bus: bus.read_byte(address))
        except NoAnswerError:
            return False
        return True

    def close(self) -> None:
        if self._bus is not None:
            self._bus.close()
            self._bus = None

    def _do(self, address: int, now_s: float, call: Callable[[I2cBus], T]) -> T:
        where = f"{self.path}, address 0x{address:02X}"
        if self._not_before is not None and now_s < self._not_before:
            raise BusRestingError(f"{where}: not tried, for {self.why}")
        try:
            result = call(self._opened())
        except OSError as error:
            raise self._troubled(mapped(error, where), now_s) from error
        self._pause, self._not_before, self.why = 0.0, None, ""
        return result

    def _opened(self) -> I2cBus:
        if self._bus is None:
            self._bus = self._opener(self.path)
            self.counts["opened"] += 1
        return self._bus

    def _troubled(self, error: I2cError, now_s: float) -> I2cError:
        """Count it; a stuck or missing bus rests, a silent chip is the chip's own matter."""
        self.counts[type(error).__name__] += 1
        if isinstance(error, NoAnswerError):
            return error
        self.why = str(error)
        if isinstance(error, BusGoneError):
            self.close()
        self._pause = min(LONGEST_PAUSE, max(FIRST_PAUSE, 2.0 * self._pause))
        self._not_before = now_s + self._pause
        return error

    def _whole(self, address: int, data: bytes, n: int) -> bytes:
        if len(data) == n:
            return data
        self.counts["ShortReadError"] += 1
        where = f"{self.path}, address 0x{address:02X}"
        raise ShortReadError(f"{where} gave {len(data)} bytes of {n}; look at its wires")
