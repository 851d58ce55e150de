"""The range elements: fired in order, each with up to four echoes inside the gate.

An edge is timed in interrupt context, where nothing may allocate memory.
"""

from array import array

import machine  # type: ignore[import-not-found]

from . import codec, pins
from .ticks import sleep_us, ticks_add, ticks_diff, ticks_us

PULSE_US = 12  # of the trigger
NEAR_US, FAR_US, PERIOD_US = 1_000, 12_000, 25_000  # until told otherwise
AFTER_US = 1_000  # left between the gate's end and the next firing
LONGEST_FAR_US = 60_000  # a flight fits in 16 bits
SOONEST_PERIOD_US, LONGEST_PERIOD_US = 4_000, 500_000


class Ear:
    """One element's echo line."""

    def __init__(self, pin: int) -> None:
        self.flights = array("H", bytes(2 * codec.ECHOES))
        self.count = 0
        self._fired = self._near = self._far = 0
        self._open = False
        self._pin = machine.Pin(pin, machine.Pin.IN)
        rising = pins.EDGE == "rising"
        trigger = machine.Pin.IRQ_RISING if rising else machine.Pin.IRQ_FALLING
        self._pin.irq(handler=self._edge, trigger=trigger, hard=True)

    def listen(self, fired: int, near: int, far: int) -> None:
        self.count = 0
        self._fired, self._near, self._far = fired, near, far
        self._open = True

    def close(self) -> None:
        self._open = False

    def _edge(self, pin: object) -> None:
        flight = ticks_diff(ticks_us(), self._fired)
        inside = self._near <= flight <= self._far
        if self._open and inside and self.count < codec.ECHOES:
            self.flights[self.count] = flight
            self.count += 1


class Ranger:
    """A state machine: `poll` fires, waits for the gate's end and tells the ping."""

    def __init__(self) -> None:
        out = machine.Pin.OUT
        self._triggers = [machine.Pin(pin, out, value=0) for pin in pins.TRIGGERS]
        self._ears = [Ear(pin) for pin in pins.EARS]
        self.ping = 0  # counts firings, modulo 2**16
        self._near, self._far, self._period = NEAR_US, FAR_US, PERIOD_US
        self._used = (1 << len(self._ears)) - 1
        self._element = len(self._ears) - 1
        self._fired = self._due = ticks_us()
        self._until = self._due
        self._listening = False

    def gate(self, near: int, far: int, period: int, used: int) -> bool:
        """Blank all but near to far (us of flight); False when that cannot be."""
        right = 0 <= near < far <= LONGEST_FAR_US
        right = right and far + AFTER_US <= period and 0 < used < 1 << len(self._ears)
        if right and SOONEST_PERIOD_US <= period <= LONGEST_PERIOD_US:
            self._near, self._far, self._period, self._used = near, far, period, used
            return True
        return False

    def poll(self, now: int):  # type: ignore[no-untyped-def]
        """None, or a ping: its number, element, ticks of firing, flights in us."""
        if self._listening:
            # The ear keeps the gate it was opened with, should a new one come meanwhile.
            if ticks_diff(now, self._until) < 0:
                return None
            self._listening = False
            ear = self._ears[self._element]
            ear.close()
            flights = [ear.flights[n] for n in range(ear.count)]
            return self.ping, self._element, self._fired, flights
        if ticks_diff(now, self._due) >= 0:
            self._fire(now)
        return None

    def _fire(self, now: int) -> None:
        self._element = self._next()
        self.ping = (self.ping + 1) & 0xFFFF
        trigger = self._triggers[self._element]
        fired = ticks_us()
        self._ears[self._element].listen(fired, self._near, self._far)
        trigger.value(1)
        sleep_us(PULSE_US)
        trigger.value(0)
        self._fired = fired
        self._until = ticks_add(fired, self._far)
        self._due = ticks_add(fired, self._period)
        self._listening = True

    def _next(self) -> int:
        element = self._element
        while True:
            element = (element + 1) % len(self._ears)
            if self._used >> element & 1:
                return element
