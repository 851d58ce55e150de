"""The plain loop's bar: the nearest element whose echo lies in the gate, and nothing more."""

from __future__ import annotations

import math
from collections import deque

from drivers.samples import RangePing
from firmware_py.messages import Side
from firmware_py.settings import MM, Bar, Gate

UNSEEN_S = 0.3  # without an in-gate echo for longer, there is no clearance
FORGET_S = 1.0  # and then it looks over the whole reach, unless its end is led
DATUM_OF = 60  # values whose mean the datum takes: half a second
STEER_S = 0.5  # the steering cue is smoothed, as an element's place comes in steps of its spacing


class PlainBar:
    """Clearance (m, square to the bar) and lateral of the nearest in-gate element."""

    def __init__(self, side: Side, bar: Bar) -> None:
        self.side, self.bar = side, bar
        middle = (bar.elements - 1) / 2.0
        self.places = [(k - middle) * bar.spacing_mm * MM for k in range(bar.elements)]
        self.outside = side.sign * bar.outside_mm * MM
        self.ranges: list[float | None] = [None] * bar.elements
        self._times = [-math.inf] * bar.elements
        self.seen_s = -math.inf
        self.clearance = self.place = 0.0
        self._steer = 0.0
        self._recent: deque[tuple[float, float]] = deque(maxlen=DATUM_OF)
        self._datum: float | None = None

    @property
    def has_datum(self) -> bool:
        return self._datum is not None

    def take(
        self, now_s: float, ping: RangePing, sound: float | None, gate: Gate, *, led: bool,
        offset: float,
    ) -> None:  # fmt: skip
        """One firing: its first in-gate echo, then the nearest element of the last frame."""
        if not sound:
            return
        middle = self._middle(now_s, led, offset)
        inside = [r for echo in ping.echoes if self._fits(r := 0.5 * sound * echo.flight_s,
                                                          middle, gate)]  # fmt: skip
        self.ranges[ping.element] = inside[0] if inside else None
        self._times[ping.element] = ping.time_s
        frame = self.bar.frame_ms * MM * 1.1
        found = [
            (r, place) for r, place, at in zip(self.ranges, self.places, self._times, strict=True)
            if r is not None and at > ping.time_s - frame
        ]  # fmt: skip
        if found:
            self.clearance, place = min(found)
            self.place = 0.0 if self.bar.turned else place
            share = self.bar.frame_ms * MM / self.bar.elements / STEER_S
            self._steer += (self.place - self._steer) * min(share, 1.0)
            self.seen_s = now_s
            self._recent.append((self.clearance, self.place))

    def _middle(self, now_s: float, led: bool, offset: float) -> float | None:
        """Where the gate stands: round the target while that leads, else round the last.

        Until there is a datum there is no gate: the nearest thing in reach is the reference.
        """
        if self._datum is None:
            return None
        if led:
            return self._datum + offset
        return self.clearance if now_s - self.seen_s < FORGET_S else None

    def _fits(self, r: float, middle: float | None, gate: Gate) -> bool:
        if not self.bar.reach_near_mm * MM <= r <= self.bar.reach_far_mm * MM:
            return False
        return middle is None or -gate.near_mm * MM <= r - middle <= gate.far_mm * MM

    def seen(self, now_s: float) -> bool:
        return now_s - self.seen_s <= UNSEEN_S

    def lateral(self, now_s: float) -> float | None:
        """Where the reference lies, left > 0, m; None when unseen."""
        return self._steer if self.seen(now_s) else None

    def set_datum(self, off: float) -> bool:
        """Take the mean of the last half second; off: crossfall less its target."""
        if len(self._recent) < DATUM_OF:
            return False
        clear = [c - (self.outside + y) * off for c, y in self._recent]
        self._datum = sum(clear) / len(clear)
        return True

    def error(self, now_s: float, off: float) -> float | None:
        """Height error of the blade end, before its offset: the plane from end to reference."""
        if self._datum is None or not self.seen(now_s):
            return None
        return self.clearance - (self.outside + self.place) * off - self._datum
