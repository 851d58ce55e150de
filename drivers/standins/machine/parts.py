"""The parts of `machine` that the board's program uses, with the calls of the rp2 port."""

import os
import struct

import micropython  # type: ignore[import-not-found]

from .world import sleep_us, ticks_add, ticks_diff, ticks_us, world

MPU = 0x68
WHO_AM_I, ACCEL_XOUT_H = 0x75, 0x3B
LEVEL = (0, 0, 8192, -521, 0, 0, 0)  # raw words at rest: +1 g on z, 35.0 degrees C


class Pin:
    """A pin keeps its level; a level that changes goes into the record."""

    IN, OUT = 0, 1
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_FALLING, IRQ_RISING = 4, 8

    def __init__(self, number: int, mode: int = -1, pull: int = -1, value=None) -> None:  # type: ignore[no-untyped-def]
        self.number = number
        self.name = f"pin{number}"
        if number not in world.levels:
            world.levels[number] = 1 if pull == self.PULL_UP else 0
        if value is not None:
            self.value(value)  # type: ignore[no-untyped-call]

    def value(self, level=None):  # type: ignore[no-untyped-def]
        if level is None:
            return world.levels[self.number]
        if level != world.levels[self.number]:
            world.levels[self.number] = level
            if self.number >= 16:
                world.outside(self.name, level, locked())
            elif level:
                world.pulsed(self.number)
        return None

    def irq(self, handler=None, trigger: int = 0, hard: bool = False) -> None:  # type: ignore[no-untyped-def]
        if not hard:
            raise ValueError("the record is of hard interrupts only")
        world.handlers[self.number] = handler


class PWM:
    """A pin's pulse width; it stays when the program stops, as on the chip."""

    def __init__(self, pin: Pin, freq: int = 0, duty_u16: int = 0) -> None:
        self._name = f"pwm{pin.number}"
        self._duty = duty_u16

    def duty_u16(self, duty: int) -> None:
        if not 0 <= duty <= 65535:
            raise ValueError("a duty is 0 to 65535")
        if duty != self._duty:
            self._duty = duty
            world.outside(self._name, duty, locked())


class Timer:
    """A periodic timer whose callback comes in interrupt context."""

    PERIODIC = 1

    def __init__(self) -> None:
        self.due = self.period_us = 0
        self.callback = None

    def init(self, *, mode: int, period: int, callback, hard: bool = False) -> None:  # type: ignore[no-untyped-def]
        if os.getenv("LINEHOLD_MACHINE_SOFT") and hard:
            raise TypeError("extra keyword arguments given")  # as before hard timers came
        self.period_us = period * 1000
        self.due = ticks_add(ticks_us(), self.period_us)
        self.callback = callback
        world.timers.append(self)


class WDT:
    """The watchdog: unfed for its time it is put down as `reset`, and the outputs fall."""

    def __init__(self, timeout: int) -> None:
        self._timeout_us = timeout * 1000
        self._fed = ticks_us()
        self._bitten = False
        world.watchdogs.append(self)

    def feed(self) -> None:
        self._fed = ticks_us()

    def look(self) -> None:
        if not self._bitten and ticks_diff(ticks_us(), self._fed) > self._timeout_us:
            self._bitten = True
            world.note("reset", 1)
            world.timers.clear()  # a chip in reset runs nothing


class I2C:
    """A bus with one MPU-6050 at rest on it; LINEHOLD_MACHINE_BARE takes it off.

    While there is a file of the name in LINEHOLD_MACHINE_STUCK, the clock line is held low and a
    call does not come back.
    """

    def __init__(self, number: int, scl: Pin, sda: Pin, freq: int) -> None:
        self.told: list[tuple[int, bytes]] = []
        self._stuck = os.getenv("LINEHOLD_MACHINE_STUCK") or ""

    def readfrom_mem(self, address: int, register: int, size: int) -> bytes:
        self._answer(address)
        return b"\x68"[:size] if register == WHO_AM_I else bytes(size)

    def readfrom_mem_into(self, address: int, register: int, into: bytearray) -> None:
        self._answer(address)
        if register == ACCEL_XOUT_H:
            into[:] = struct.pack(">7h", *LEVEL)

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self._answer(address)
        self.told.append((register, data))

    def _answer(self, address: int) -> None:
        while self._stuck and _exists(self._stuck):
            sleep_us(10_000)
        if address != MPU or os.getenv("LINEHOLD_MACHINE_BARE"):
            raise OSError(5)  # EIO: no acknowledge


class UART:
    """Not imitated: the tests join by standard input and output, as USB does."""

    def __init__(self, *_: object, **__: object) -> None:
        raise NotImplementedError


def locked() -> bool:
    """Whether this thread is an interrupt."""
    micropython.heap_lock()
    return int(micropython.heap_unlock()) > 0


def _exists(path: str) -> bool:
    try:
        os.stat(path)
    except OSError:
        return False
    return True
