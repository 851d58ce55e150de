"""The valve outputs: four coil drivers and the line that lets them work.

Nothing here may allocate memory: the lease calls it in interrupt context.
"""

import machine  # type: ignore[import-not-found]

from . import codec, pins

DUTY = 65535  # of full opening


class Outputs:
    """Shut from its first line on. Commands are -1000..1000, > 0 raises."""

    def __init__(self) -> None:
        self._enable = machine.Pin(pins.OUTPUT_ENABLE, machine.Pin.OUT, value=0)
        self._left_up = _coil(pins.LEFT_UP)
        self._left_down = _coil(pins.LEFT_DOWN)
        self._right_up = _coil(pins.RIGHT_UP)
        self._right_down = _coil(pins.RIGHT_DOWN)
        self._open = True
        self.off()

    def off(self) -> None:
        """All off, the common line first; done again only after `drive`."""
        if self._open:
            self._enable.value(0)
            self._left_up.duty_u16(0)
            self._left_down.duty_u16(0)
            self._right_up.duty_u16(0)
            self._right_down.duty_u16(0)
            self._open = False

    def drive(self, left: int, right: int) -> None:
        self._open = True
        _pair(self._left_up, self._left_down, left)
        _pair(self._right_up, self._right_down, right)
        self._enable.value(1)


def _coil(pin: int):  # type: ignore[no-untyped-def]
    return machine.PWM(machine.Pin(pin), freq=pins.VALVE_HZ, duty_u16=0)


def _pair(up, down, command: int) -> None:  # type: ignore[no-untyped-def]
    """Never both: the one to shut comes first."""
    if command > 0:
        down.duty_u16(0)
        up.duty_u16(command * DUTY // codec.FULL)
    else:
        up.duty_u16(0)
        down.duty_u16(-command * DUTY // codec.FULL)
