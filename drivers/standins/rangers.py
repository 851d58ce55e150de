"""Rangers to stand in for bought ones: the sound's way, noise, steps, time to answer, dropouts.

A `Sight` is what one element sees. UART rangers talk on a StandInLine, I2C rangers are chips for a
StandInBus. All live on a clock that is given, and keep the times at which they fired.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.standins.i2c_bus import Nak, StandInBus
from drivers.standins.serial_port import StandInLine

Clock = Callable[[], float]
Distance = float | Callable[[float], float]  # m, fixed or by time

FAR = 1e9  # m; nothing is there


@dataclass
class Sight:
    """What is before an element, and how well it hears. Change any of it while it runs."""

    distances: list[Distance] = field(default_factory=lambda: [0.6])
    sound_mps: float = 344.8  # of the air
    noise_m: float = 0.0  # 1 sigma
    dropout: float = 0.0  # share of firings that hear nothing
    seed: int = 0

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)

    def flights(self, fired_s: float, listen_s: float) -> list[float]:
        """Times there and back (s) of what is heard within listen_s, nearest first."""
        if self.random.random() < self.dropout:
            return []
        heard = []
        for distance in self.distances:
            flight = self._flight(distance, fired_s) + self.random.gauss(
                0.0, 2.0 * self.noise_m / self.sound_mps
            )
            if 0.0 < flight <= listen_s:
                heard.append(flight)
        return sorted(heard)

    def _flight(self, distance: Distance, fired_s: float) -> float:
        """Sound meets what moves where it is at the instant of reflection."""
        flight = 0.0
        for _ in range(4):  # the target moves 1e-3 of the sound's speed: each pass gains 3 digits
            at = distance(fired_s + 0.5 * flight) if callable(distance) else distance
            flight = 2.0 * at / self.sound_mps
        return flight


class _UartRanger:
    """Fires by itself, by a byte, or by its input let go, and answers in its own format."""

    def __init__(
        self,
        line: StandInLine,
        sight: Sight,
        *,
        trigger: str = "free",
        trigger_byte: int = 0x55,
        period_s: float = 0.1,
        answer_s: float = 0.05,
        jitter_s: float = 0.0,
        assumed_mps: float = 344.8,
        unit_m: float = 1e-3,
        nearest_m: float = 0.0,
        nothing_m: float = 5.0,
        first_s: float = 0.0,
    ) -> None:
        self.line, self.sight = line, sight
        self.trigger, self.trigger_byte = trigger, trigger_byte
        self.period_s, self.answer_s, self.jitter_s = period_s, answer_s, jitter_s
        self.assumed_mps, self.unit_m = assumed_mps, unit_m
        self.nearest_m, self.nothing_m = nearest_m, nothing_m
        self.powered = True
        self.fired: list[float] = []
        self._next_s = first_s
        self._low = False
        line.talker = self

    def advance(self, now_s: float) -> None:
        while self.trigger == "free" and self._next_s <= now_s:
            self._fire(self._next_s)
            self._next_s += self.period_s

    def hear(self, data: bytes, now_s: float) -> None:
        if self.trigger == "byte" and self.trigger_byte in data:
            self._fire(now_s)

    def held_low(self, low: bool, now_s: float) -> None:
        if self.trigger == "release" and self._low and not low:
            self._fire(now_s)
        self._low = low

    def _fire(self, at_s: float) -> None:
        if not self.powered:
            return
        self.fired.append(at_s)
        flights = self.sight.flights(at_s, 2.0 * self.nothing_m / self.assumed_mps)
        range_m = self.nothing_m
        if flights:
            range_m = max(self.nearest_m, 0.5 * flights[0] * self.assumed_mps)
        late = self.answer_s + self.jitter_s * self.sight.random.uniform(-1.0, 1.0)
        self.line.say(self.frame(round(range_m / self.unit_m)), at_s + late)

    def frame(self, raw: int) -> bytes:
        raise NotImplementedError


class AsciiRanger(_UartRanger):
    """ "R", four digits, carriage return."""

    def frame(self, raw: int) -> bytes:
        return b"R%04d\r" % raw


class BinaryRanger(_UartRanger):
    """0xFF, high, low, sum."""

    def frame(self, raw: int) -> bytes:
        high, low = raw >> 8 & 0xFF, raw & 0xFF
        return bytes([0xFF, high, low, (0xFF + high + low) & 0xFF])


class _I2cRanger:
    """Deaf while it ranges; takes another address after the right words in the right order."""

    unlock: tuple[int, ...] = ()

    def __init__(
        self,
        bus: StandInBus,
        address: int,
        sight: Sight,
        clock: Clock,
        *,
        ranging_s: float = 0.065,
        assumed_mps: float = 344.8,
    ) -> None:
        self.bus, self.address, self.sight, self.clock = bus, address, sight, clock
        self.ranging_s, self.assumed_mps = ranging_s, assumed_mps
        self.fired: list[float] = []
        self.readdressed: list[int] = []
        self._words: list[int] = []
        self._busy_until: float | None = None
        bus.attach(address, self)

    @property
    def busy(self) -> bool:
        return self._busy_until is not None and self.clock() < self._busy_until

    def write(self, data: bytes) -> None:
        if self.busy:
            raise Nak
        self._take(data)

    def read(self, n: int) -> bytes:
        if self.busy:
            raise Nak
        return self._give(n)

    def _range(self) -> list[float]:
        """Fire; flights within its listening time."""
        now = self.clock()
        self.fired.append(now)
        self._busy_until = now + min(self.ranging_s, self.listen_s)
        return self.sight.flights(now, self.listen_s)

    @property
    def listen_s(self) -> float:
        return self.ranging_s

    def _readdress(self, eight_bits: int) -> None:
        new = eight_bits >> 1
        self.readdressed.append(new)
        self.bus.move(self.address, new)
        self.address = new

    def _take(self, data: bytes) -> None:
        raise NotImplementedError

    def _give(self, n: int) -> bytes:
        raise NotImplementedError


class PlainChip(_I2cRanger):
    """0x51 ranges; two bytes, high first; before that, its part information. PD11848k p. 3."""

    unit_m = 1e-2
    nearest_m, nothing_m = 0.20, 7.65
    deaf_to = (0, 80, 164, 170)  # addresses as 8 bits that it ignores
    answer = b"\x0c\x42"  # part information, invented

    def _take(self, data: bytes) -> None:
        if data == b"\x51":
            flights = self._range()
            range_m = 0.5 * flights[0] * self.assumed_mps if flights else self.nothing_m
            range_m = min(self.nothing_m, max(self.nearest_m, range_m))
            self.answer = round(range_m / self.unit_m).to_bytes(2, "big")
        elif len(data) == 3 and data[:2] == b"\xaa\xa5" and data[2] not in self.deaf_to:
            self._readdress(data[2])

    def _give(self, n: int) -> bytes:
        return self.answer[:n]


class RegisterChip(_I2cRanger):
    """36 registers, up to 17 echoes, a range register, microseconds. SRF08 specification."""

    unlock = (0xA0, 0xAA, 0xA5)
    revision = 0x0A

    def __init__(
        self, bus: StandInBus, address: int, sight: Sight, clock: Clock, ranging_s: float = 0.065
    ) -> None:
        super().__init__(bus, address, sight, clock, ranging_s=ranging_s)
        self.range_register = self.gain = 255
        self.echoes: list[int] = []
        self._pointer = 0

    def power_cycle(self) -> None:
        """Gain and range are forgotten."""
        self.range_register = self.gain = 255
        self.echoes, self._busy_until = [], None

    @property
    def listen_s(self) -> float:
        return 2.0 * (self.range_register + 1) * 0.043 / self.assumed_mps

    def _take(self, data: bytes) -> None:
        self._pointer = data[0]
        for register, value in enumerate(data[1:], data[0]):
            if register == 0:
                self._word(value)
            elif register == 1:
                self.gain = value
            elif register == 2:
                self.range_register = value

    def _word(self, value: int) -> None:
        scale = {0x51: 0.5 * self.assumed_mps / 1e-2, 0x52: 1e6}.get(value)
        if scale is not None:
            self.echoes = [round(flight * scale) for flight in self._range()][:17]
        words = (*self._words, value)
        if words[:-1] == self.unlock:
            self._readdress(value)
            words = ()
        self._words = list(words) if words == self.unlock[: len(words)] else []

    def _give(self, n: int) -> bytes:
        registers = bytearray([self.revision, 0x80])
        for echo in self.echoes + [0] * (17 - len(self.echoes)):
            registers += echo.to_bytes(2, "big")
        return bytes(registers[self._pointer : self._pointer + n])
