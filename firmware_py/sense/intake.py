"""The gate that every sample passes: what is not possible is dropped and counted, never repaired.

Each device has its own clock of acceptance; a sample is refused when it is not finite, repeated,
out of order, too late, ahead of the loop's clock, beyond what the device could measure, or when
the device itself says that it is at fault.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable

from drivers.samples import (
    OK,
    AirSample,
    AnySample,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)

FAULT = Validity.FAULT  # asked for with every sample: to look up a member costs
LATE = 0.5  # s; the tracker can place an echo no further back than this
AHEAD = 0.002  # s; more than the loop's own clock resolution is a wrong clock
FLIGHT = 0.06  # s; 10 m there and back: beyond every element's reach
FORCE = 160.0  # m/s2; full scale of common sensors is 16 g
RATE = 35.0  # rad/s; full scale of common sensors is 2000 deg/s
SPEED = 10.0  # m/s; no compact loader is faster
DISTANCE = 1e6  # m
AIR = (-60.0, 75.0)  # C
SAME_INERTIAL = 40  # samples with the same six readings: noise makes even two improbable


class Intake:
    """Checks one device's samples; `accept` says whether a sample may be used."""

    STATE = ("last_s", "seen_s", "dropped", "why", "same", "previous")

    def __init__(self, device: str, elements: int = 0, kind: type[AnySample] | None = None) -> None:
        self.device = device
        self.kind = kind  # what this device sends; None: whatever comes
        self.elements = elements
        self.last_s = -math.inf
        self.seen_s = -math.inf
        self.dropped = self.count = 0
        self.why = ""
        self.same = [0] * max(elements, 1)
        self.previous: list[float] = [math.nan] * max(elements, 1)

    def new_clock(self) -> None:
        """The loop's clock jumped: earlier times are no measure any more."""
        self.last_s = self.seen_s = -math.inf

    def accept(self, sample: AnySample, now_s: float) -> bool:
        """True for a usable sample; else it is counted and `why` says what was wrong."""
        if fault := self._fault(sample, now_s):
            self.dropped += 1
            self.why = fault
            return False
        self.count += 1
        self.last_s = sample.time_s
        self._watch_sameness(sample)
        if sample.validity is OK or isinstance(sample, RangePing):
            self.seen_s = now_s
        return True

    def _fault(self, sample: AnySample, now_s: float) -> str:
        if self.kind is not None and type(sample) is not self.kind:
            return "another device's kind of sample"
        try:
            time_s = sample.time_s
            fits = self.last_s < time_s <= now_s + AHEAD and time_s >= now_s - LATE
            fault = "" if fits else self._time_fault(time_s, now_s)
            fault = fault or VALUE_FAULTS.get(type(sample), _nothing)(sample, self.elements)
        except (TypeError, AttributeError):
            return "a reading of another type"  # nothing checks types between a driver and here
        if not fault and sample.validity is FAULT:
            return "device reports a fault"
        return fault

    @property
    def stuck(self) -> bool:
        """True when an inertial sensor's readings have stopped changing although it still sends.

        Range elements may rightly repeat themselves: see guard.watch.StuckWatch.
        """
        return not self.elements and self.same[0] >= SAME_INERTIAL

    def age(self, now_s: float) -> float:
        """Seconds since the device last gave something usable."""
        return now_s - self.seen_s

    def _time_fault(self, time_s: float, now_s: float) -> str:
        if not math.isfinite(time_s):
            return "time is not finite"
        if time_s > now_s + AHEAD:
            return "time is ahead of the clock"
        if time_s < now_s - LATE:
            return "too late"
        if time_s == self.last_s:
            return "repeated"
        return "out of order" if time_s < self.last_s else ""

    def _watch_sameness(self, sample: AnySample) -> None:
        if type(sample) is InertialSample:
            mark = sample.ax + 3.0 * sample.ay + 7.0 * sample.gx + 11.0 * sample.gy + sample.az
            slot = 0
        elif type(sample) is RangePing and sample.echoes:
            mark, slot = sample.echoes[0].flight_s, sample.element
        else:
            return
        self.same[slot] = self.same[slot] + 1 if mark == self.previous[slot] else 0
        self.previous[slot] = mark


def _nothing(sample: AnySample, elements: int) -> str:
    return ""


def _motion_fault(sample: MotionSample, elements: int) -> str:
    return _outside(sample.speed_mps, SPEED) or _outside(sample.distance_m, DISTANCE)


def _air_fault(sample: AirSample, elements: int) -> str:
    reading = sample.temperature_c
    return "" if reading is None or AIR[0] <= reading <= AIR[1] else "impossible reading"


def _outside(value: float | None, limit: float) -> str:
    return "" if value is None or -limit <= value <= limit else "impossible reading"


def _ping_fault(ping: RangePing, elements: int) -> str:
    if not 0 <= operator.index(ping.element) < elements:
        return "no such element"
    for echo in ping.echoes:
        if not 0.0 < echo.flight_s <= FLIGHT:
            return "impossible time of flight"
        if not ping.time_s <= echo.time_s <= ping.time_s + FLIGHT:
            return "echo outside its firing"
    return ""


def _inertial_fault(s: InertialSample, elements: int) -> str:
    # a NaN fails every comparison, so each test is written to pass only what is in range
    force = -FORCE <= s.ax <= FORCE and -FORCE <= s.ay <= FORCE and -FORCE <= s.az <= FORCE
    rate = -RATE <= s.gx <= RATE and -RATE <= s.gy <= RATE and -RATE <= s.gz <= RATE
    return "" if force and rate else "impossible reading"


# what is impossible about a sample's values, by its kind; '' when nothing is
VALUE_FAULTS: dict[type, Callable[..., str]] = {
    RangePing: _ping_fault,
    InertialSample: _inertial_fault,
    MotionSample: _motion_fault,
    AirSample: _air_fault,
}
