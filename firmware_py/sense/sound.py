"""Speed of sound in air, from its temperature or from a fixed reflector in an element's view."""

from __future__ import annotations

import math

ZERO_CELSIUS_MPS = (
    331.3  # dry air at 0 C; humidity adds 0.1 to 0.6 percent, which a datum takes out
)
ZERO_CELSIUS_K = 273.15
PLAUSIBLE_MPS = (290.0, 375.0)  # -60 to +75 C: outside this a reflector reading is not believed


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound, m/s, at an air temperature in degrees Celsius (ideal gas law).

    Raises ValueError outside -60 to +75 C.
    """
    if not -60.0 <= temperature_c <= 75.0:
        raise ValueError(f"air temperature {temperature_c} C is out of range; -60 to 75 is right")
    return ZERO_CELSIUS_MPS * math.sqrt(1.0 + temperature_c / ZERO_CELSIUS_K)


def speed_from_reflector(distance_m: float, flight_s: float) -> float | None:
    """Speed of sound, m/s, from an echo off a target at a known distance; None if implausible."""
    if flight_s <= 0.0:
        return None
    speed = 2.0 * distance_m / flight_s
    low, high = PLAUSIBLE_MPS
    return speed if low <= speed <= high else None
