"""Who shuts the valves when this program dies.

A PWM chip keeps its last value when its master is killed. So its output-enable must be held by
something that lets go by itself: the companion board, or a watchdog relay that drops out unless a
pin goes on changing. A time limit kept in this program is no lease: it dies with the program.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from drivers.errors import DeviceError
from drivers.inputs import OutputPin
from drivers.samples import LeaseSample, Validity

TELL_S = 0.1  # between two samples of a lease that has not changed
HOLDS_S = 0.2  # of a relay after its last edge, and of the board after its last command
LEASES = ("board", "relay")
Renew = Callable[[float], None]  # called with the time, once for each command that was written


def check_lease(lease: str | None) -> str:
    """The lease, where it is one. Fails with one sentence."""
    if lease in LEASES:
        return lease
    if lease is None:
        raise DeviceError(
            "a PWM chip keeps its last value when this program dies, so it drives valves only "
            "with its output-enable held by the companion board or a watchdog relay: "
            'lease = "board" or "relay"; without one this rig runs cue-only'
        )
    raise DeviceError(
        f'"{lease}" is no lease that outlives this program; only lease = "board" or "relay" shuts '
        "the valves when it dies, so this rig runs cue-only"
    )


class LeaseTeller:
    """The valves' lease as a device that is read: at once when it changes, else each TELL_S."""

    def __init__(self, device: str, armed: Callable[[float], bool]) -> None:
        self._device, self._armed = device, armed
        self._said: bool | None = None
        self._due_s = -math.inf

    def read(self, now_s: float) -> Sequence[LeaseSample]:
        """As any device; armed is asked with the time."""
        armed = self._armed(now_s)
        if armed is self._said and now_s < self._due_s:
            return ()
        self._said, self._due_s = armed, now_s + TELL_S
        return (LeaseSample(self._device, now_s, Validity.OK, armed),)


class RelayPulse:
    """Renews a watchdog relay: each call turns the pin round.

    The edges come from the loop's own writes and from nothing else: neither a hardware PWM nor a
    thread may make them, for both live on while the loop hangs.
    """

    def __init__(self, pin: OutputPin) -> None:
        self._pin = pin
        self._high = False

    def __call__(self, now_s: float) -> None:
        self._high = not self._high
        self._pin.set(self._high)
