"""The driver's inputs: switches to ground, pulled up inside.

A broken wire reads high. Enable is closed while held, so a broken wire is not held; the lever
switches are closed while nobody touches the lever, so a broken wire is a hand on it.
"""

import machine  # type: ignore[import-not-found]

from . import codec, pins


class Inputs:
    def __init__(self) -> None:
        up = machine.Pin.PULL_UP
        self._enable = machine.Pin(pins.ENABLE, machine.Pin.IN, up)
        self._left = machine.Pin(pins.LEFT_HAND, machine.Pin.IN, up)
        self._right = machine.Pin(pins.RIGHT_HAND, machine.Pin.IN, up)

    def read(self) -> int:
        """The bits ENABLE, LEFT and RIGHT of the codec."""
        bits = 0 if self._enable.value() else codec.ENABLE
        if self._left.value():
            bits |= codec.LEFT
        if self._right.value():
            bits |= codec.RIGHT
        return bits
