"""A sounder on an output pin: what it must do, the real one by gpiozero, and a stand-in.

The sounder is passive: the pin makes the pitch. docs/sound.md says how to wire it.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, Protocol

from firmware_py.errors import LineholdError
from tui.sound import ALARM_HZ, BASE_HZ, UPPER_HZ

FIRST, LAST = 2, 27  # pins of the 40-pin header by their GPIO number
HALF = 0.5  # of each period high: the loudest
KNOWN_HZ = (*BASE_HZ.values(), *UPPER_HZ.values(), *ALARM_HZ)


class PinError(LineholdError, OSError):
    """The output pin cannot be had."""


class Pin(Protocol):
    """What sounds, or is still."""

    def on(self, frequency: float) -> None:
        """Sound at so many Hz from now on."""
        ...

    def off(self) -> None:
        """Be still."""
        ...

    def close(self) -> None:
        """Let go of the pin."""
        ...


class GpioPin:
    """A pin of the Raspberry Pi, through gpiozero, which is loaded only here.

    factory: gpiozero's pin factory; None takes the one of this computer.
    """

    def __init__(self, number: int, factory: Any = None) -> None:
        if not FIRST <= number <= LAST:
            raise PinError(f"GPIO {number} is no pin of the header; {FIRST} to {LAST} are")
        try:
            gpiozero = importlib.import_module("gpiozero")
        except ImportError as error:
            raise PinError("a sounder on a pin needs the packages gpiozero and lgpio") from error
        try:
            self._device = gpiozero.PWMOutputDevice(
                number, initial_value=0, frequency=round(ALARM_HZ[0]), pin_factory=factory
            )
        except Exception as error:  # gpiozero's own tree, and whatever its pin library raises
            why = str(error) or type(error).__name__
            raise PinError(f"GPIO {number} cannot be opened ({why})") from error

    def on(self, frequency: float) -> None:
        self._device.frequency = round(frequency)
        self._device.value = HALF

    def off(self) -> None:
        self._device.value = 0

    def close(self) -> None:
        self._device.close()


class StandInPin:
    """Records what it was told and when; refuses what a sounder could not make."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self.told: list[tuple[float, float]] = []  # time, Hz; 0: off
        self.closed = self.broken = False

    def _tell(self, frequency: float) -> None:
        if self.closed or self.broken:
            raise OSError("the pin is gone")
        self.told.append((self._clock(), frequency))

    def on(self, frequency: float) -> None:
        if not min(KNOWN_HZ) <= frequency <= max(KNOWN_HZ):
            raise ValueError(f"{frequency} Hz is beyond what is ever asked for")
        self._tell(frequency)

    def off(self) -> None:
        self._tell(0.0)

    def close(self) -> None:
        self.closed = True
