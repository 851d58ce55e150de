"""What the loop tells the service manager: that it is up, that it lives, that it ends.

systemd's protocol, sd_notify(3): lines KEY=value in a datagram to the socket $NOTIFY_SOCKET. The
watchdog is fed by complete good ticks and by nothing else: neither a thread nor the keeper can go
on saying "alive" for a loop that hangs. $WATCHDOG_PID names the keeper, our parent, and is not
looked at; the unit lets the whole service speak (NotifyAccess=all).
"""

from __future__ import annotations

import math
import socket
from collections.abc import Mapping
from contextlib import suppress
from typing import Protocol

from firmware_py.messages import Tick

SHARE = 0.5  # of the watchdog's time, from feed to feed: sd_watchdog_enabled(3) advises half
STATUS_S = 1.0  # between two words of status where there is no watchdog
LONGEST = 200  # letters of a status
ENDING_S = 30.0  # the watchdog's time from the goodbye on: the recording is closed meanwhile


class Timing(Protocol):
    """How the loop keeps its time: lateness of this tick (s), deadlines missed so far."""

    late_s: float
    missed: int


class Notify:
    """The socket. `say` never waits and never raises; `lost` counts what nobody took."""

    def __init__(self, address: str) -> None:
        self.lost = 0
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._name = "\0" + address[1:] if address.startswith("@") else address
        self._joined = False

    def say(self, *lines: str) -> bool:
        """Send lines as one datagram; False when it was lost."""
        try:
            if not self._joined:
                self._socket.connect(self._name)
                self._joined = True
            self._socket.send("\n".join(lines).encode())
        except OSError:
            self.lost += 1
            return False
        return True

    def close(self) -> None:
        """No more is said."""
        self._socket.close()


class Feed:
    """An outlet of the loop, the last of them: what it gets is a tick that was completed.

    A tick is good when it follows the one before it, came less than a period late, and no deadline
    was missed meanwhile. So many good ticks make one feed that a loop of which less than half are
    good starves, and is started anew.
    """

    def __init__(
        self, notify: Notify, timing: Timing, tick_hz: float, watchdog_s: float | None
    ) -> None:
        self._notify, self._timing = notify, timing
        self._late_s = 1.0 / tick_hz
        every_s = STATUS_S if watchdog_s is None else SHARE * watchdog_s
        self.every = max(1, math.floor(every_s * tick_hz))
        self._alive = () if watchdog_s is None else ("WATCHDOG=1",)
        self._seq: int | None = None
        self._missed = self._good = 0
        self._ready = False

    def put(self, tick: Tick) -> None:
        """Count it if it is good, and feed when there are enough."""
        follows = self._seq is not None and tick.seq == self._seq + 1
        missed, self._missed = self._timing.missed - self._missed, self._timing.missed
        self._seq = tick.seq
        if not follows or missed or self._timing.late_s >= self._late_s:
            return
        if not self._ready:
            self._ready = self._notify.say("READY=1", *self._alive, _status(tick))
            return
        self._good += 1
        if self._good >= self.every:
            self._good = 0
            self._notify.say(*self._alive, _status(tick))

    def stopping(self, why: str) -> None:
        """The last word. The recording is still to be closed, for which nobody feeds."""
        longer = f"WATCHDOG_USEC={ENDING_S * 1e6:.0f}"
        self._notify.say("STOPPING=1", *((longer,) if self._alive else ()), f"STATUS={why}")
        self._notify.close()


def watchdog_s(environment: Mapping[str, str]) -> float | None:
    """After how long without a feed the manager acts (s); None: it never does."""
    with suppress(ValueError):
        found = int(environment.get("WATCHDOG_USEC", "")) * 1e-6
        return found if found > 0.0 else None
    return None


def make_feed(environment: Mapping[str, str], timing: Timing, tick_hz: float) -> Feed | None:
    """None where no service manager listens."""
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return None
    return Feed(Notify(address), timing, tick_hz, watchdog_s(environment))


def _status(tick: Tick) -> str:
    words = f"{tick.mode}: {tick.why}" if tick.why else str(tick.mode)
    return f"STATUS={' '.join(words.split())[:LONGEST]}"
