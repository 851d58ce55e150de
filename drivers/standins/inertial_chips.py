"""Inertial chips as registers on the stand-in bus, for drivers and tests.

A chip has its own oscillator, samples by itself, filters with the delay of its datasheet and
fills its FIFO whether anyone reads it or not. What it feels is a function of time, in the chip's
own axes. Written from the datasheets' words, not from the driver.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import ClassVar

from drivers.standins.i2c_bus import Nak

G = 9.80665
RAD = 57.29577951308232  # degrees

# (ax, ay, az, gx, gy, gz), SI
Motion = Callable[[float], tuple[float, float, float, float, float, float]]
Clock = Callable[[], float]


def at_rest(t: float) -> tuple[float, float, float, float, float, float]:
    """Level and still: gravity's reaction is up."""
    return (0.0, 0.0, G, 0.0, 0.0, 0.0)


def pair(value: float, little: bool) -> bytes:
    """A number as the chip puts it out: rounded, held at the ends of 16 bits."""
    raw = min(max(round(value), -32768), 32767)
    return raw.to_bytes(2, "little" if little else "big", signed=True)


class InertialChip:
    """Registers with a pointer that moves on; samples made as the clock runs.

    rate_error: share by which the oscillator runs fast. dead: the chip answers but samples no more.
    """

    who: tuple[int, int] = (0, 0)  # register, value
    defaults: ClassVar[dict[int, int]] = {}

    def __init__(self, clock: Clock, motion: Motion = at_rest, rate_error: float = 0.0) -> None:
        self.clock, self.motion, self.rate_error = clock, motion, rate_error
        self.temperature_c = 25.0
        self.dead = False
        self.made: deque[float] = deque(maxlen=4096)  # instants at which readings became ready
        self.lost = 0
        self.power_on()

    def power_on(self) -> None:
        """All registers as after the supply came."""
        self.registers = {**self.defaults, self.who[0]: self.who[1]}
        self.pointer = 0
        self._next_s: float | None = None

    def period_s(self) -> float | None:
        """Of sampling as set; None while it does not sample."""
        raise NotImplementedError

    def sample(self, ready_s: float) -> None:
        """Make one reading."""
        raise NotImplementedError

    def put(self, register: int, value: int) -> None:
        self.registers[register] = value

    def get(self, register: int) -> int:
        return self.registers.get(register, 0)

    def after(self, register: int) -> int:
        """Where the pointer goes from here."""
        return register + 1

    # the wire

    def write(self, data: bytes) -> None:
        self.run()
        self.pointer = data[0]
        for value in data[1:]:
            self.put(self.pointer, value)
            self.pointer = self.after(self.pointer)

    def read(self, n: int) -> bytes:
        self.run()
        out = bytearray()
        for _ in range(n):
            out.append(self.get(self.pointer))
            self.pointer = self.after(self.pointer)
        return bytes(out)

    def run(self) -> None:
        """Sample up to now."""
        now, period = self.clock(), self.period_s()
        if period is None or self.dead:
            self._next_s = None
            return
        period /= 1.0 + self.rate_error
        if self._next_s is None:
            self._next_s = now + period
        while self._next_s <= now:
            self.made.append(self._next_s)
            self.sample(self._next_s)
            self._next_s += period


class Mpu6050Chip(InertialChip):
    """By RM-MPU-6000A-00 rev 4.2."""

    who = (0x75, 0x68)
    # asleep; factory trim: accelerometer codes 16, gyro codes 16
    defaults: ClassVar[dict[int, int]] = {
        0x6B: 0x40,
        0x0D: 0x90,
        0x0E: 0x90,
        0x0F: 0x90,
        0x10: 0x00,
    }
    # by DLPF_CFG: delays of accelerometer and gyro, ms (4.3)
    delays_ms = ((0, 0.98), (2, 1.9), (3, 2.8), (4.9, 4.8), (8.5, 8.3), (13.8, 13.4), (19, 18.6))
    weak = 1.0  # of the answer to the self-test's force; a damaged chip's is off

    def power_on(self) -> None:
        super().power_on()
        self.fifo: deque[int] = deque()
        self.data = bytes(14)

    def period_s(self) -> float | None:
        if self.registers[0x6B] & 0x40:
            return None
        base = 8000 if self.registers.get(0x1A, 0) & 7 in (0, 7) else 1000
        return (1 + self.registers.get(0x19, 0)) / base

    def sample(self, ready_s: float) -> None:
        accel_ms, gyro_ms = self.delays_ms[self.registers.get(0x1A, 0) & 7]
        accel = self.motion(ready_s - 1e-3 * accel_ms)[:3]
        gyro = self.motion(ready_s - 1e-3 * gyro_ms)[3:]
        gyro_config, accel_config = self.registers.get(0x1B, 0), self.registers.get(0x1C, 0)
        a_lsb, g_lsb = 16384 >> (accel_config >> 3 & 3), 131 / (1 << (gyro_config >> 3 & 3))
        forced_a, forced_g = self._forced(accel_config, gyro_config)
        raw = [a / G * a_lsb + f for a, f in zip(accel, forced_a, strict=True)]
        raw.append((self.temperature_c - 36.53) * 340)
        raw += [g * RAD * g_lsb + f for g, f in zip(gyro, forced_g, strict=True)]
        self.data = b"".join(pair(value, little=False) for value in raw)
        self.registers[0x3A] = self.registers.get(0x3A, 0) | 0x01
        if self.registers.get(0x6A, 0) & 0x40 and self.registers.get(0x23, 0) == 0xF8:
            self.fifo.extend(self.data)
            while len(self.fifo) > 1024:
                self.fifo.popleft()
                self.lost += 1
                self.registers[0x3A] |= 0x10

    def _forced(self, accel_config: int, gyro_config: int) -> tuple[list[float], list[float]]:
        """LSB added by the self-test, as trimmed: codes 16 on every axis."""
        a = 4096 * 0.34 * (0.92 / 0.34) ** (15 / 30) * self.weak
        g = 25 * 131 * 1.046**15 * self.weak
        accel = [a if accel_config >> (7 - i) & 1 else 0.0 for i in range(3)]
        gyro = [s * g if gyro_config >> (7 - i) & 1 else 0.0 for i, s in enumerate((1, -1, 1))]
        return accel, gyro

    def put(self, register: int, value: int) -> None:
        if register == 0x6B and value & 0x80:
            self.power_on()
            return
        if register == 0x6A and value & 0x04:
            self.fifo.clear()
            value &= ~0x04
        super().put(register, value)

    def get(self, register: int) -> int:
        if register == 0x3A:
            flags = self.registers.get(0x3A, 0)
            self.registers[0x3A] = 0
            return flags
        if 0x3B <= register <= 0x48:
            return self.data[register - 0x3B]
        if register == 0x72:
            return len(self.fifo) >> 8
        if register == 0x73:
            return len(self.fifo) & 0xFF
        if register == 0x74:
            return self.fifo.popleft() if self.fifo else 0xFF
        return super().get(register)

    def after(self, register: int) -> int:
        return register if register == 0x74 else register + 1


class Lsm6dsoChip(InertialChip):
    """By DS12140 rev 2. A word: tag, three numbers; gyro before accelerometer."""

    who = (0x0F, 0x6C)
    rates: ClassVar[dict[int, float]] = {3: 52.0, 4: 104.0, 5: 208.0, 6: 416.0, 7: 833.0}
    mg: ClassVar[dict[int, float]] = {0: 0.061, 1: 0.488, 2: 0.122, 3: 0.244}  # by FS_XL code
    mdps: ClassVar[dict[int, float]] = {0: 8.75, 1: 17.5, 2: 35.0, 3: 70.0}
    depth = 512  # words
    weak = 1.0

    def power_on(self) -> None:
        super().power_on()
        self.words: deque[bytes] = deque()
        self.open = b""
        self.slot = self.count = 0
        self.overrun = False

    def period_s(self) -> float | None:
        rate = self.rates.get(self.registers.get(0x10, 0) >> 4)
        return None if rate is None else 1.0 / rate

    def sample(self, ready_s: float) -> None:
        xl, g, test = (self.registers.get(r, 0) for r in (0x10, 0x11, 0x14))
        # a filter of half the rate: about one period late (chosen, as nobody states it)
        felt = self.motion(ready_s - 1.0 / self.rates[xl >> 4])
        a_lsb, g_lsb = self.mg[xl >> 2 & 3] * 1e-3 * G, self.mdps[g >> 2 & 3] * 1e-3 / RAD
        a_test = 0.4 * G * self.weak if test & 3 == 1 else 0.0  # within 50 to 1700 mg
        g_test = 400 / RAD * self.weak if test >> 2 & 3 == 1 else 0.0  # within 150 to 700 deg/s
        if self.registers.get(0x0A, 0) & 7 != 6:
            return
        self.slot = (self.slot + 1) & 3
        self._push(1, [(v + g_test) / g_lsb for v in felt[3:]])
        self._push(2, [(v + a_test) / a_lsb for v in felt[:3]])
        if self.count % 130 == 0 and self.registers[0x0A] >> 4 & 3:
            self._push(3, [(self.temperature_c - 25.0) * 256, 0, 0])
        self.count += 1

    def _push(self, tag: int, numbers: list[float]) -> None:
        data = b"".join(pair(value, little=True) for value in numbers)
        head = tag << 3 | self.slot << 1
        self.words.append(bytes([head | bin(head).count("1") & 1]) + data)
        if len(self.words) > self.depth:
            self.words.popleft()
            self.lost += 1
            self.overrun = True

    def put(self, register: int, value: int) -> None:
        if register == 0x12 and value & 0x01:
            self.power_on()
            return
        if register == 0x0A and value & 7 == 0:
            self.words.clear()
            self.overrun = False
        super().put(register, value)

    def get(self, register: int) -> int:
        if register == 0x3A:
            return len(self.words) & 0xFF
        if register == 0x3B:
            flags = 0x48 if self.overrun else 0
            return flags | len(self.words) >> 8 & 3
        if register == 0x78:
            self.open = self.words.popleft() if self.words else bytes(7)
        if 0x78 <= register <= 0x7E:
            return self.open[register - 0x78]
        return super().get(register)

    def after(self, register: int) -> int:
        return 0x78 if register == 0x7E else register + 1


class Bno055Chip(InertialChip):
    """By BST-BNO055-DS000-14. Deaf for 650 ms after a reset; data only in a measuring mode."""

    who = (0x00, 0xA0)
    defaults: ClassVar[dict[int, int]] = {0x01: 0xFB, 0x02: 0x32, 0x03: 0x0F, 0x36: 0x0F}
    delay_s = 0.007

    def power_on(self) -> None:
        super().power_on()
        self.data = bytes(18)
        self.deaf_until_s = self.clock()  # powered long ago, until a reset

    def period_s(self) -> float | None:
        return 0.01 if self.registers.get(0x3D, 0) & 0x0F == 5 else None

    def sample(self, ready_s: float) -> None:
        felt = self.motion(ready_s - self.delay_s)
        accel = b"".join(pair(v * 100, little=True) for v in felt[:3])
        gyro = b"".join(pair(v * RAD * 16, little=True) for v in felt[3:])
        self.data = accel + bytes(6) + gyro

    def put(self, register: int, value: int) -> None:
        if register == 0x3F and value & 0x20:
            self.power_on()
            self.deaf_until_s = self.clock() + 0.65
            return
        super().put(register, value)

    def get(self, register: int) -> int:
        if 0x08 <= register <= 0x19:
            return self.data[register - 0x08]
        if register == 0x34:
            return round(self.temperature_c) & 0xFF
        return super().get(register)

    def run(self) -> None:
        if self.clock() < self.deaf_until_s:
            raise Nak
        super().run()
