"""The PWM chip PCA9685 as registers on the stand-in bus, with its outputs as the valves see them.

By the product data sheet rev 4: prescale only taken in SLEEP, outputs still while asleep, full off
before full on, address moving on only with AI, power-on asleep. It keeps its last values whatever
becomes of its master; only output-enable stops it.
"""

from __future__ import annotations

from collections.abc import Callable

WAKE_S = 500e-6  # until the oscillator runs


class Pca9685Chip:
    """enabled: the state of the output-enable line, whoever holds it."""

    def __init__(
        self,
        clock: Callable[[], float],
        oscillator_hz: float = 25e6,
        enabled: Callable[[], bool] = lambda: True,
    ) -> None:
        self.clock, self.oscillator_hz, self.enabled = clock, oscillator_hz, enabled
        self.early_restarts = self.refused_prescales = 0
        self.power_on()

    def power_on(self) -> None:
        """As after the supply came, or came back: asleep, every output full off."""
        self.registers = {0x00: 0x11, 0x01: 0x04, 0xFE: 0x1E}
        self.registers |= {0x09 + 4 * n: 0x10 for n in range(16)}
        self.pointer = 0
        self._awake_s: float | None = None

    @property
    def frequency_hz(self) -> float:
        """Of the outputs."""
        return self.oscillator_hz / (4096 * (self.registers[0xFE] + 1))

    def duty(self, channel: int) -> float:
        """Share of the time that an output is high, as it is now."""
        if not self.enabled() or self._awake_s is None:
            return 0.0
        if self.clock() < self._awake_s + WAKE_S:
            return 0.0
        on_l, on_h, off_l, off_h = (
            self.registers.get(0x06 + 4 * channel + i, 0) for i in range(4)
        )  # fmt: skip
        if off_h & 0x10:
            return 0.0
        if on_h & 0x10:
            return 1.0
        rise, fall = (on_h & 0xF) << 8 | on_l, (off_h & 0xF) << 8 | off_l
        return ((fall - rise) % 4096) / 4096

    def pulse_s(self, channel: int) -> float:
        """How long an output is high in each period."""
        return self.duty(channel) / self.frequency_hz

    # the wire

    def write(self, data: bytes) -> None:
        self.pointer = data[0]
        for value in data[1:]:
            self._put(self.pointer, value)
            self._move_on()

    def read(self, n: int) -> bytes:
        out = bytearray()
        for _ in range(n):
            write_only = 0xFA <= self.pointer <= 0xFD
            out.append(0 if write_only else self.registers.get(self.pointer, 0))
            self._move_on()
        return bytes(out)

    def _move_on(self) -> None:
        if self.registers[0x00] & 0x20:
            self.pointer = 0 if self.pointer == 0x45 else (self.pointer + 1) & 0xFF

    def _put(self, register: int, value: int) -> None:
        if register == 0x00:
            self._mode(value)
        elif register == 0xFE and not self.registers[0x00] & 0x10:
            self.refused_prescales += 1
        elif register == 0xFE:
            self.registers[0xFE] = max(value, 3)
        elif 0xFA <= register <= 0xFD:
            for channel in range(16):
                self.registers[0x06 + 4 * channel + register - 0xFA] = value
        else:
            self.registers[register] = value

    def _mode(self, value: int) -> None:
        before = self.registers[0x00]
        running = any(self.duty(channel) for channel in range(16))
        restart = before & 0x80
        if value & 0x10:
            if running:
                restart = 0x80
            self._awake_s = None
        elif self._awake_s is None:
            self._awake_s = self.clock()
        if value & 0x80 and restart and not value & 0x10:
            if self._awake_s is None or self.clock() < self._awake_s + WAKE_S:
                self.early_restarts += 1
            restart = 0
        self.registers[0x00] = value & 0x7F | restart
