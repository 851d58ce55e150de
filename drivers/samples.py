"""Samples: what devices hand up and take down. SI units, seconds on one monotonic clock.

Axes are ISO 8855: x forward, y left, z up. Every sample is frozen and carries its device, its
time and its validity. A missing reading is an empty tuple or None, never a number.

The types are msgspec structs, not dataclasses: as frozen, a sixth of the cost to make, and the
journal stores them as they stand.
"""

from __future__ import annotations

from enum import IntEnum

import msgspec

# What msgspec raises for bytes that are no message: bad UTF-8 is a plain ValueError of Python's.
NO_MESSAGE = (msgspec.MsgspecError, UnicodeDecodeError)


class Validity(IntEnum):
    """What the device itself says of a sample."""

    OK = 0
    NOTHING = 1  # the device works, but measured nothing (no echo, no fix)
    FAULT = 2  # the device says that it is broken


OK = Validity.OK  # asked for with every sample: to look up a member costs as much as to make one


class Sample(msgspec.Struct, frozen=True, array_like=True, gc=False, tag=True):
    """Base of all samples: name of the device, time (s, monotonic), validity."""

    device: str
    time_s: float
    validity: Validity


class Echo(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One echo of one firing.

    time_s: the instant of reflection (s, monotonic); flight_s: there and back (s), so that the
    speed of sound stays the controller's business.
    """

    time_s: float
    flight_s: float


class RangePing(Sample, frozen=True, gc=False, tag="ping"):
    """One firing of one range element: no, one or several echoes, nearest first.

    time_s is the instant of firing; element counts from 0 at the bar's right (or rear, when the
    bar is turned along travel).
    """

    element: int
    echoes: tuple[Echo, ...]


class InertialSample(Sample, frozen=True, gc=False, tag="inertial"):
    """Specific force (m/s2, +g on z at rest) and rates (rad/s) in the sensor's axes."""

    ax: float
    ay: float
    az: float
    gx: float
    gy: float
    gz: float
    temperature_c: float | None


class AirSample(Sample, frozen=True, gc=False, tag="air"):
    """Air temperature near the bar, degrees Celsius; None when there is no reading."""

    temperature_c: float | None


class MotionSample(Sample, frozen=True, gc=False, tag="motion"):
    """Signed speed over ground (m/s, forward > 0) and distance travelled (m, signed sum)."""

    speed_mps: float | None
    distance_m: float | None


class DriverSample(Sample, frozen=True, gc=False, tag="driver"):
    """The driver's inputs: the enable input held, and a hand on the lever of either end."""

    enable: bool
    left_hand: bool
    right_hand: bool


class LeaseSample(Sample, frozen=True, gc=False, tag="lease"):
    """Whether what shuts the valves by itself holds them ready now: the board or the relay."""

    armed: bool


class ValveCommand(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="valves"):
    """Command to the two lift valves, each -1..1, > 0 raises; 0 is neutral (shut)."""

    time_s: float
    left: float
    right: float


AnySample = RangePing | InertialSample | AirSample | MotionSample | DriverSample | LeaseSample
