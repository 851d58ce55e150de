"""Where the cutting edge is along the job, how unsure that is, and what a marked pin does to it.

Chainage m; forward lowers it when the job is driven against chainage. The distance sensor's scale
is off by the same share all the way, so the sd grows in proportion to the way since the last mark:
sd^2 = (sd at the mark)^2 + (SCALE x way)^2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

START_SD = 0.2  # m; the driver stops with the edge at the mark by eye
MARK_SD = 0.1  # m; and presses the key in passing: 0.2 s at 0.5 m/s
SCALE = 0.01  # of the way: tracks slip, and a wheel's radius is not known better
SIGMAS = 3.0  # how far off a pin may be, and still be the one
JUMP = 1.0  # m in one tick: no machine does that, the sensor began anew


class Chainage:
    """`update` once a tick with the signed distance; `mark` at a pin."""

    STATE = ("at", "sd0", "way", "distance", "lost")

    def __init__(self, start_m: float, sign: int, pins: Sequence[tuple[float, str]]) -> None:
        self.sign = sign
        self.pins = tuple(pins)
        self.at = start_m
        self.sd0 = START_SD
        self.way = 0.0  # m driven since the last mark, both ways
        self.distance: float | None = None
        self.lost = False  # the sensor jumped: nobody knows until a pin is named

    @property
    def sd(self) -> float:
        """1 sigma, m."""
        return math.hypot(self.sd0, SCALE * self.way)

    @property
    def known(self) -> bool:
        """True while the distance sensor carries the chainage on."""
        return self.distance is not None and not self.lost

    def update(self, distance: float | None) -> None:
        """distance: the sensor's signed sum, m; None: it has none."""
        last, self.distance = self.distance, distance
        if last is None or distance is None:
            return
        step = distance - last
        if abs(step) > JUMP:
            self.lost = True
            return
        self.at += self.sign * step
        self.way += abs(step)

    def mark(self, name: str = "") -> str:
        """The edge stands at a pin, named or the one that it must be; '' or why not."""
        if not self.pins:
            return "this job has no pins; its chainage cannot be corrected"
        found = self._named(name) if name else self._nearest()
        if isinstance(found, str):
            return found
        self.at, self.sd0, self.way, self.lost = found[0], MARK_SD, 0.0, False
        return ""

    def _named(self, name: str) -> tuple[float, str] | str:
        found = [pin for pin in self.pins if pin[1] == name]
        if len(found) != 1:
            return f"{len(found)} pins of this job are named '{name}'; one is right"
        if self.known and abs(found[0][0] - self.at) > self.reach:
            return f"pin {pin_words(found[0])} is not near: {self._here()}"
        return found[0]

    def _nearest(self) -> tuple[float, str] | str:
        """The one pin that may be meant; without a distance sensor the next one."""
        if self.lost:
            return "the chainage is lost; name the pin"
        if not self.known:
            ahead = self.next_pin()
            return "that was the last pin of this job" if ahead is None else ahead
        near = [pin for pin in self.pins if abs(pin[0] - self.at) <= self.reach]
        if len(near) == 1:
            return near[0]
        if near:
            two = " and ".join(pin_words(pin) for pin in near[:2])
            return f"it may be pin {two}: {self._here()}; name it"
        nearest = min(self.pins, key=lambda pin: abs(pin[0] - self.at))
        return f"no pin is near: {self._here()}; the nearest is {pin_words(nearest)}"

    def next_pin(self) -> tuple[float, str] | None:
        """The first pin ahead, in the direction of travel."""
        ahead = [pin for pin in self.pins if self.sign * (pin[0] - self.at) > 1e-6]
        return min(ahead, key=lambda pin: self.sign * pin[0], default=None)

    @property
    def reach(self) -> float:
        """How far from here a pin may be and still be the one, m."""
        return SIGMAS * math.hypot(self.sd, MARK_SD)

    def _here(self) -> str:
        return f"the chainage is {self.at:.2f} m, sd {self.sd:.2f} m"


def pin_words(pin: tuple[float, str]) -> str:
    """'P3 at 24.00 m', or '24.00 m' for one without a name."""
    return f"{pin[1]} at {pin[0]:.2f} m" if pin[1] else f"{pin[0]:.2f} m"
