"""The PWM chip PCA9685: registers, prescale, and the bytes of its channels. Pure.

Registers by the datasheet rev 4, chapter 7.3; prescale by 7.3.5, restart by 7.3.1.1.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from drivers.errors import DeviceError
from drivers.registers import Register, Table

CHANNELS = 16
TABLE = Table("PCA9685 product data sheet rev 4, chapter 7.3", (
    Register("MODE1", 0x00, "RESTART EXTCLK AI SLEEP SUB1 SUB2 SUB3 ALLCALL", "0x11 at power-on"),
    Register("MODE2", 0x01, "- - - INVRT OCH OUTDRV OUTNE[1:0]", "0x04 at power-on"),
    *(Register(f"LED{n}_ON_L", 0x06 + 4 * n, "ON_L, ON_H, OFF_L, OFF_H",
               "counts at which the output rises and falls; bit 4 of _H: full on, full off", 4)
      for n in range(CHANNELS)),
    Register("ALL_LED_ON_L", 0xFA, "ON_L, ON_H, OFF_L, OFF_H", "every output at once", 4),
    Register("PRE_SCALE", 0xFE, "PRE_SCALE[7:0]", "0x1E at power-on; only writable in SLEEP"),
))  # fmt: skip

AWAKE, ASLEEP = 0x20, 0x30  # MODE1: address moves on by itself; with SLEEP
RESTART = 0x80
PINS = 0x04  # MODE2: totem pole; outputs change at the stop; low while output-enable is off
STEADY_S = 500e-6  # from SLEEP off to a steady oscillator (7.3.1.1)
COUNTS = 4096
FULL = 0x10  # in ON_H: full on; in OFF_H: full off, which wins
ALL_OFF = (0x00, 0x00, 0x00, FULL)
NOMINAL_HZ = 25e6
OSCILLATOR_HZ = (23e6, 27e6)  # real ones (checks.md): measure, else the frequency is 8 % off
PRESCALE = (3, 255)


def prescale(oscillator_hz: float, pwm_hz: float) -> int:
    """Register value for a frequency: round(osc / (4096 f)) - 1. Fails beyond 3 to 255."""
    low, high = OSCILLATOR_HZ
    if not low <= oscillator_hz <= high:
        raise DeviceError(
            f"an oscillator of {oscillator_hz / 1e6:g} MHz is not this chip's; measured ones lie "
            f"between {low / 1e6:g} and {high / 1e6:g} MHz"
        )
    value = round(oscillator_hz / (COUNTS * pwm_hz)) - 1 if pwm_hz > 0 else -1
    if not PRESCALE[0] <= value <= PRESCALE[1]:
        slow, fast = (frequency(oscillator_hz, p) for p in reversed(PRESCALE))
        raise DeviceError(
            f"{pwm_hz:g} Hz is beyond the chip; {slow:.0f} to {fast:.0f} Hz go with its oscillator"
        )
    return value


def frequency(oscillator_hz: float, value: int) -> float:
    """What a prescale gives, Hz."""
    return oscillator_hz / (COUNTS * (value + 1))


def oscillator(pwm_hz: float, value: int) -> float:
    """The oscillator's frequency from a measured one of the outputs, Hz."""
    return pwm_hz * COUNTS * (value + 1)


def channel_bytes(level: float) -> tuple[int, int, int, int]:
    """ON and OFF of a channel that is high for this share of the period, 0..1."""
    counts = round(level * COUNTS)
    if counts <= 0:
        return ALL_OFF
    if counts >= COUNTS:
        return (0x00, FULL, 0x00, 0x00)
    return (0x00, 0x00, counts & 0xFF, counts >> 8)


class Step(NamedTuple):
    """A register, the bytes it is given, and how long to wait after it (s)."""

    name: str
    data: tuple[int, ...]
    then_s: float = 0.0


def opening(value: int) -> Sequence[Step]:
    """From whatever state to running with all outputs off.

    The outputs are shut first of all. The restart clears a flag that a sleep in mid-run has set;
    what it restarts is then off.
    """
    return (
        Step("ALL_LED_ON_L", ALL_OFF),
        Step("MODE1", (ASLEEP,)),
        Step("PRE_SCALE", (value,)),
        Step("MODE2", (PINS,)),
        Step("MODE1", (AWAKE,), STEADY_S),
        Step("MODE1", (AWAKE | RESTART,)),
        Step("ALL_LED_ON_L", ALL_OFF),
    )
