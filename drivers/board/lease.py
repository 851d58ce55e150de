"""The lease: whoever commands the valves must do so again and again, or they shut.

`tick` runs in the callback of a hardware timer, in interrupt context: it allocates nothing, and it
alone writes the outputs and feeds the watchdog. The main program only leaves wishes here, so a
main program that hangs shuts the valves by the lease, and is then reset by the watchdog.
"""

import machine  # type: ignore[import-not-found]

from . import codec, pins
from .outputs import Outputs
from .ticks import ticks_diff, ticks_us

PERIOD_MS = codec.TIMER_MS
LEASE_US = codec.LEASE_MS * 1000
BEAT_US = 2_000_000  # a main program silent for longer gets no more food for the watchdog
WATCHDOG_MS = 1000


class Lease:
    """Off until armed; off again when the lease runs out, and then only armed afresh."""

    def __init__(self, outputs: Outputs) -> None:
        self.state = codec.OFF
        self.why = codec.WHY_BOOT
        self.offs = 0
        self.hard = True
        self._outputs = outputs
        self._left = 0
        self._right = 0
        self._renewed = ticks_us()
        self._beaten = self._renewed
        self._enable = machine.Pin(pins.ENABLE, machine.Pin.IN, machine.Pin.PULL_UP)
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)
        self._timer = machine.Timer()
        self._start(self.tick)  # bound once here: binding allocates

    def _start(self, callback) -> None:  # type: ignore[no-untyped-def]
        mode = machine.Timer.PERIODIC
        try:
            self._timer.init(mode=mode, period=PERIOD_MS, callback=callback, hard=True)
        except TypeError:  # a MicroPython whose timers wait for the main program: never armed
            self.hard = False
            self._timer.init(mode=mode, period=PERIOD_MS, callback=callback)

    def tick(self, timer: object) -> None:
        now = ticks_us()
        if self.state and ticks_diff(now, self._renewed) > LEASE_US:
            self.state = codec.OFF
            self.why = codec.WHY_LEASE
            self.offs += 1
        held = not pins.ENABLE_HERE or not self._enable.value()
        if self.state and held and (self._left or self._right):
            self._outputs.drive(self._left, self._right)
        else:
            self._outputs.off()
        if ticks_diff(now, self._beaten) < BEAT_US:
            self._watchdog.feed()

    def beat(self) -> None:
        """The main program is alive."""
        self._beaten = ticks_us()

    def arm(self) -> bool:
        """From neutral, with a fresh lease; False where the timer cannot be trusted."""
        if not self.hard:
            return False
        if self.state == codec.OFF:
            self._left = self._right = 0
            self._renewed = ticks_us()
            self.why = codec.WHY_ARMED
            self.state = codec.ARMED  # last: the callback may come between any two lines
        return True

    def renew(self, left: int, right: int) -> None:
        self._left = left
        self._right = right
        self._renewed = ticks_us()

    def disarm(self, why: int) -> None:
        """Off with the next tick of the timer."""
        if self.state:
            self.state = codec.OFF
            self.why = why
            self.offs += 1
