"""Range elements on an I2C bus, fired by a command and read when they are done.

Two makes of register map are known; see `Plain` and `Registers`. Both go deaf while they range, so
a missing acknowledge then only means "not yet".
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

from drivers.i2c import Bus, I2cError, NoAnswerError
from drivers.rangers.reading import Reading, Traits

SLOWEST_SOUND = 320.0  # m/s, at -20 C; what is asked too early is asked again
UNDRIVEN = 0xFFFF  # what is read where no chip drives the line


@dataclass(frozen=True)
class I2cTraits(Traits):
    """wait_s: from firing until it is worth asking; echoes: the most that one firing may give."""

    unit: str = "cm"
    nothing_m: float = 7.65  # PD11848k p. 1: up to 765 cm
    blind_m: float = 0.20  # the same: nearer things read as the least range
    period_s: float = 0.1  # PD11848k p. 3: "best to allow 100 ms between readings"
    wait_s: float = 0.08  # the same: about 80 ms
    answer_s: float = 0.15
    echoes: int = 1
    gain: int | None = None  # register kind: 0 to 31; None leaves the chip's own


class _OnBus:
    """What both kinds share: the state of one firing, and what went wrong."""

    def __init__(self, bus: Bus, address: int, traits: I2cTraits) -> None:
        self.bus, self.address, self.traits = bus, address, traits
        self.counts: Counter[str] = Counter()
        self.why = ""
        self.period_s = traits.period_s
        self.seen_s: float | None = None
        self.pending_s: float | None = None
        self._fired_s: float | None = None

    @property
    def runs_free(self) -> bool:
        return False

    def ready(self, now_s: float) -> bool:
        if self.pending_s is not None:
            return False
        return self._fired_s is None or now_s - self._fired_s >= self.period_s - 1e-9

    def fire(self, now_s: float) -> bool:
        try:
            self._command(now_s)
        except I2cError as error:
            self._failed(error)
            self.counts["not fired"] += 1
            return False
        self._fired_s = self.pending_s = now_s
        self.counts["fired"] += 1
        return True

    def collect(self, now_s: float) -> list[Reading]:
        fired = self.pending_s
        if fired is None or now_s - fired < self._wait_s - 1e-9:
            return []
        try:
            flights = self._answer(now_s)
        except NoAnswerError as error:
            if now_s - fired > self.traits.answer_s:
                self._give_up(error)
            return []
        except I2cError as error:
            self._give_up(error)
            return []
        if flights is None:
            if now_s - fired > self.traits.answer_s:
                self._give_up(I2cError(f"{self._where} does not finish ranging"))
            return []
        self.pending_s, self.seen_s, self.why = None, now_s, ""
        return [Reading(fired, flights, self.traits.spread_s)]

    def gate(self, near_m: float, far_m: float) -> None:
        """Only the register kind takes a gate."""

    def close(self) -> None:
        """The bus belongs to whoever opened it."""

    @property
    def _wait_s(self) -> float:
        return self.traits.wait_s

    @property
    def _where(self) -> str:
        return f"{self.bus.path}, address 0x{self.address:02X}"

    def _give_up(self, error: I2cError) -> None:
        self.counts["missed"] += 1
        self.pending_s = None
        self._failed(error)

    def _failed(self, error: I2cError) -> None:
        self.counts[type(error).__name__] += 1
        self.why = str(error)

    def _command(self, now_s: float) -> None:
        raise NotImplementedError

    def _answer(self, now_s: float) -> tuple[float, ...] | None:
        """Flights; None while it is not done."""
        raise NotImplementedError


class PlainRanger(_OnBus):
    """Write 0x51, read two bytes, high first. PD11848k p. 3, table of commands.

    It has no identity register: after power-up and before the first command the two bytes are part
    information, and after that a range. A number beyond its reach is therefore called foreign.
    """

    RANGE = 0x51  # "take a range reading"

    def _command(self, now_s: float) -> None:
        self.bus.write(self.address, bytes([self.RANGE]), now_s)

    def _answer(self, now_s: float) -> tuple[float, ...] | None:
        raw = int.from_bytes(self.bus.read(self.address, 2, now_s), "big")
        if raw == UNDRIVEN:
            return None
        if raw > self.traits.largest:
            words = f"gave 0x{raw:04X}, no range of this model; is it another chip?"
            raise I2cError(f"{self._where} {words}")
        return self.traits.flights(raw)


class RegisterRanger(_OnBus):
    """A chip of registers that gives several echoes and times of flight, and takes a far gate.

    SRF08 technical specification, "Registers" and "Commands"; the step of the range register as
    memory has it, in agreement with Linux's driver (6020 mm default) and RIOT's (0x8C is 6 m).
    """

    REVISION = 0x00  # read: software revision, 0xFF while it ranges
    COMMAND = 0x00  # write
    GAIN = 0x01  # write: maximum gain, 0 to 31
    RANGE = 0x02  # write: how far it listens, (n + 1) x 43 mm
    ECHO_1 = 0x02  # read: high byte of the first of 17 echoes
    RANGE_US = 0x52  # ranging, result in microseconds of flight: no speed of sound is assumed
    RANGE_STEP_M = 0.043
    MOST_ECHOES = 15  # that fit in one block of 32 registers

    def __init__(self, bus: Bus, address: int, traits: I2cTraits) -> None:
        super().__init__(bus, address, traits)
        if not 1 <= traits.echoes <= self.MOST_ECHOES:
            raise ValueError(f"echoes is {traits.echoes}; 1 to {self.MOST_ECHOES} are right")
        self.revision: int | None = None
        self._near_m, self._far_m = traits.blind_m, traits.nothing_m
        self._set_up = False  # gain and range are lost when its power goes

    def gate(self, near_m: float, far_m: float) -> None:
        """The far half goes to the chip at the next firing; the near half is applied here."""
        self._near_m, self._far_m, self._set_up = near_m, far_m, False

    @property
    def _wait_s(self) -> float:
        """It listens only as far as the range register says."""
        return min(self.traits.wait_s, self._steps * self.RANGE_STEP_M * 2.0 / SLOWEST_SOUND)

    @property
    def _steps(self) -> int:
        """Steps of the range register that reach the gate's far end."""
        return min(256, max(1, math.ceil(self._far_m / self.RANGE_STEP_M)))

    def _command(self, now_s: float) -> None:
        if not self._set_up:
            self._configure(now_s)
        self.bus.write(self.address, bytes([self.COMMAND, self.RANGE_US]), now_s)

    def _configure(self, now_s: float) -> None:
        revision = self.bus.registers(self.address, self.REVISION, 1, now_s)[0]
        if revision in (0x00, 0xFF):
            words = f"gave revision 0x{revision:02X}; is it another chip?"
            raise I2cError(f"{self._where} {words}")
        self.revision = revision
        if self.traits.gain is not None:
            self.bus.write(self.address, bytes([self.GAIN, self.traits.gain]), now_s)
        self.bus.write(self.address, bytes([self.RANGE, self._steps - 1]), now_s)
        self._set_up = True

    def _answer(self, now_s: float) -> tuple[float, ...] | None:
        n = self.ECHO_1 + 2 * self.traits.echoes
        data = self.bus.registers(self.address, self.REVISION, n, now_s)
        if data[0] == 0xFF:
            return None
        if data[0] != self.revision:
            self.counts["changed"] += 1
            raise I2cError(
                f"{self._where} gave revision 0x{data[0]:02X}, not 0x{self.revision:02X}"
            )
        near, far = (2.0 * m / self.traits.sound_mps for m in (self._near_m, self._far_m))
        times = (1e-6 * int.from_bytes(data[k : k + 2], "big") for k in range(self.ECHO_1, n, 2))
        return tuple(sorted(t for t in times if near < t < far))

    def _failed(self, error: I2cError) -> None:
        super()._failed(error)
        self._set_up = False
