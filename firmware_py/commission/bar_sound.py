"""The speed of sound that a bar's calibration is made with: of the air, or of a fixed reflector.

With a reflector the run takes its speed from that (`sense/senses.py`), so the calibration does
too, and the air only checks it: an error of the reflector's distance, and its element's own zero
and clock, are then the same in both and cancel in a run. The stated terms are of the element by
itself. Uncertainties are shares of the speed (JCGM 100, 5.1.6), k = 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from firmware_py.commission.estimate import (
    CommissionError,
    Estimate,
    K,
    Term,
    rectangular,
    robust_mean,
)
from firmware_py.commission.looks import Look, Reflector
from firmware_py.sense.sound import ZERO_CELSIUS_K, speed_from_reflector, speed_of_sound

REFLECTOR_U = rectangular(0.0005)  # m; its distance, one reading of a steel rule
# of a flight: an element's own clock, a ceramic resonator of +-0.5 % (common practice, no source)
CLOCK_U = rectangular(0.005)
LEAST_FLIGHT_SD = 3e-6  # s; 0.5 mm there and back: coarse steps make the median deviation 0
BEYOND = 1.3  # times its distance: nearer, a board's echo may be taken for the reflector's
LEAST_HEARD = 0.5  # of the firings; of the board as well


@dataclass(frozen=True)
class Sound:
    """Speed at each of two looks (m/s), each one's own noise, and what is wrong in both alike."""

    mps: tuple[float, float]
    noise: tuple[float, float]  # share of the speed
    common: Term  # share of the speed
    words: str  # which was used, and where it disagrees

    @property
    def speed(self) -> Estimate:
        """The mean of both."""
        mean = 0.5 * sum(self.mps)
        term = Term(self.common.name, mean * self.common.u)
        return Estimate(mean, "m/s", 0.5 * mean * math.hypot(*self.noise), (term,))


def from_air(looks: tuple[Look, Look], air_u: float) -> Sound:
    """air_u: of the temperature at both looks alike, K. CommissionError where none came."""
    airs = [look.air_c for look in looks if look.air_c is not None]
    if len(airs) < len(looks):
        raise CommissionError("No air temperature came; look at the thermometer and its cable.")
    mean = sum(airs) / len(airs)
    first, second = (speed_of_sound(air) for air in airs)
    term = Term("air temperature", air_u / (2.0 * (ZERO_CELSIUS_K + mean)))  # dc/c = dT / 2T
    sound = Sound((first, second), (0.0, 0.0), term, "")
    one = sound.speed
    told = f"Speed of sound: {one.value:.1f} +- {K * one.u:.1f} m/s, from the air at {mean:.1f} C."
    return Sound(sound.mps, sound.noise, term, told)


def from_reflector(looks: tuple[Look, Look], reflector: Reflector) -> Sound:
    """From the reflector's echo at each look. CommissionError where it was not seen."""
    means = [heard(look, reflector) for look in looks]
    speeds = [speed_from_reflector(reflector.distance_m, flight) for flight, _ in means]
    first, second = (speed for speed in speeds if speed is not None)  # as each echo was
    noise = (means[0][1] / means[0][0], means[1][1] / means[1][0])
    term = Term("the reflector's distance", REFLECTOR_U / reflector.distance_m)
    sound = Sound((first, second), noise, term, "")
    one = sound.speed
    told = (
        f"Speed of sound: {one.value:.1f} +- {K * one.u:.1f} m/s, from the reflector at "
        f"{1e3 * reflector.distance_m:g} mm of element {reflector.element}."
    )
    return Sound(sound.mps, noise, term, told)


def heard(look: Look, reflector: Reflector) -> tuple[float, float]:
    """Mean flight of the reflector's echo and its standard uncertainty, s."""
    flights = np.array([]) if look.reflected is None else look.reflected
    fired = look.fired[reflector.element]
    if fired == 0 or flights.size < LEAST_HEARD * fired:
        told = f"Element {reflector.element} heard the reflector at "
        told += f"{1e3 * reflector.distance_m:g} mm in {flights.size} of {fired} firings"
        wanted = "at least half is right: put it into that element's beam, at the distance stated"
        raise CommissionError(f"{told}; {wanted}.")
    mean, sem, _ = robust_mean(flights, LEAST_FLIGHT_SD)
    return mean, sem


def between(
    looks: tuple[Look, Look], heights: tuple[float, float], reflector: Reflector, height_u: float
) -> Estimate:
    """Speed over the way from reflector to board, m/s: free of the element's zero, not its clock.

    height_u: of each height (m); they and the reflector's distance enter by the mean way.
    """
    speeds, noise = [], []
    for look, height in zip(looks, heights, strict=True):
        near, far = heard(look, reflector), look.flights[reflector.element]
        board, sem, _ = robust_mean(far, LEAST_FLIGHT_SD)
        speeds.append(2.0 * (height - reflector.distance_m) / (board - near[0]))
        noise.append(math.hypot(sem, near[1]) / (board - near[0]))
    mean, way = 0.5 * sum(speeds), 0.5 * sum(heights) - reflector.distance_m
    terms = (
        Term("the reflector's distance", mean * REFLECTOR_U / way),
        Term("known heights", mean * height_u / math.sqrt(2.0) / way),
        Term("the element's clock", mean * CLOCK_U),
    )
    return Estimate(mean, "m/s", 0.5 * mean * math.hypot(*noise), terms)


def apart(seen: Estimate, air: Estimate, reflector: Reflector) -> str:
    """One sentence where reflector and air disagree beyond k = 2 of both; else ''."""
    if abs(seen.value - air.value) <= K * math.hypot(seen.u, air.u):
        return ""
    return (
        f"The air says {air.value:.1f} +- {K * air.u:.1f} m/s, but from the reflector of element "
        f"{reflector.element} to the board it is {seen.value:.1f} +- {K * seen.u:.1f} m/s: measure "
        f"the reflector's {1e3 * reflector.distance_m:g} mm again, and hold the thermometers in "
        "the shade."
    )


def check_height(height: float, reflector: Reflector) -> None:
    """A board may neither hide the reflector nor stand where its echo comes from. m."""
    least = BEYOND * reflector.distance_m
    if height < least:
        told = f"A board at {1e3 * height:.0f} mm cannot be told from the reflector at"
        right = f"{1e3 * least:.0f} mm or more is right"
        raise CommissionError(f"{told} {1e3 * reflector.distance_m:g} mm; {right}.")
