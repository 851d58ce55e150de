"""Zero and scale of a bar's range elements against two known heights.

Ranges in m, from an element's face down to a flat board that is square to the bar. A reading is
true + zero + (scale - 1) * (true - middle), the middle being half way between the two heights:
there zero and scale do not depend on each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.samples import AirSample, RangePing, Validity
from firmware_py.commission.estimate import (
    CommissionError,
    Estimate,
    Floats,
    Term,
    rectangular,
    robust_mean,
)
from firmware_py.commission.procedure import Given, Steps, for_seconds, number_said
from firmware_py.sense.sound import ZERO_CELSIUS_K, speed_from_reflector, speed_of_sound

HEIGHT_U = rectangular(0.0005)  # m; one reading of a steel rule, to the half millimetre
READINGS = 2  # of each height, at either end of the bar: their mean counts
SQUARE = 1.5  # mm; readings at the bar's ends farther apart are a board that is not square to it
HEIGHTS = (100.0, 3000.0)  # mm; what a height may be
AIRS = (-30.0, 50.0)  # C; and what the air may be
AIR_U = 0.3  # K; of the air between bar and board, by one thermometer of +-0.5 K in the shade
LOOK_S = 15.0  # s at each height: some 370 firings of each element at 40 ms a frame
APART = 0.1  # m; two heights nearer to each other tell no scale
LEAST_SD = 0.0005  # m; coarse steps make the median deviation 0
FAR_OFF = 0.05  # m; a reading farther from its known height is of something else
OFF_SCALE = 0.05  # a scale farther from 1 is a wrong height typed in


@dataclass(frozen=True)
class Element:
    """One element: zero (m) at the middle height, scale (1 = true), sd of one reading (m)."""

    number: int
    zero: Estimate
    scale: Estimate
    sd: float
    heard: float  # share of its firings, 0..1


@dataclass(frozen=True)
class BarResult:
    """All elements, the middle height, the speed of sound used and the air's temperature."""

    elements: tuple[Element, ...]
    middle_m: float
    sound_mps: float
    temperature_c: float | None


@dataclass(frozen=True)
class Look:
    """A stand over the board: flights (s) of each element, firings of each, temperatures (C)."""

    flights: tuple[Floats, ...]
    fired: tuple[int, ...]
    air_c: float | None
    by_both: bool = False  # the rig's thermometer and one held by hand


def sound_of(
    air_c: float | None, reflector_m: float | None = None, flight_s: float | None = None
) -> float:
    """Speed of sound, m/s, from a fixed reflector where there is one, or from the air."""
    if reflector_m is not None and flight_s is not None:
        speed = speed_from_reflector(reflector_m, flight_s)
        if speed is None:
            raise CommissionError(f"The reflector's echo of {1e3 * flight_s:.3f} ms is not from it")
        return speed
    if air_c is None:
        raise CommissionError("No air temperature came; look at the thermometer and its cable.")
    return speed_of_sound(air_c)


def element(
    number: int, looks: tuple[Look, Look], heights: tuple[float, float], *,
    height_u: float = HEIGHT_U, air_u: float = AIR_U,
) -> Element:  # fmt: skip
    """Zero and scale of one element. heights: true distances (m) from its face to the board.

    Late and slipped echoes are left out by the median. A wrong temperature is common to both
    looks: it shifts the zero in proportion to the middle height, and the scale likewise.
    """
    means, noise, sds, shares = [], [], [], []
    for look, height in zip(looks, heights, strict=True):
        mean, sem, sd, share = _mean_range(number, look, height)
        means.append(mean - height)
        noise.append(sem)
        sds.append(sd)
        shares.append(share)
    apart = heights[1] - heights[0]
    if abs(apart) < APART:
        raise CommissionError(f"The heights are {abs(apart):.3f} m apart; at least {APART:g} m")
    white = math.hypot(*noise)
    middle = 0.5 * sum(heights)
    air = air_u / (2.0 * (ZERO_CELSIUS_K + _mean_air(looks)))  # dc/c = dT / 2T
    zero = Estimate(
        0.5 * sum(means), "m", 0.5 * white,
        (Term("known heights", height_u / math.sqrt(2.0)), Term("air temperature", middle * air)),
    )  # fmt: skip
    scale = Estimate(
        1.0 + (means[1] - means[0]) / apart, "1", white / abs(apart),
        (Term("known heights", height_u * math.sqrt(2.0) / abs(apart)),
         Term("air temperature", air)),
    )  # fmt: skip
    if abs(scale.value - 1.0) > OFF_SCALE:
        told = f"Element {number} reads {scale.value:.3f} of the difference"
        raise CommissionError(f"{told}; 1 +- {OFF_SCALE:g} is right: measure the heights again.")
    return Element(number, zero, scale, max(sds), min(shares))


def _mean_air(looks: tuple[Look, Look]) -> float:
    known = [look.air_c for look in looks if look.air_c is not None]
    return sum(known) / len(known) if known else 20.0


def _mean_range(number: int, look: Look, height: float) -> tuple[float, float, float, float]:
    """Mean range, its uncertainty, sd of one, share heard."""
    ranges = 0.5 * sound_of(look.air_c) * look.flights[number]
    ranges = ranges[np.abs(ranges - height) < FAR_OFF]
    fired = look.fired[number]
    if fired == 0 or ranges.size < 0.5 * fired:
        told = f"Element {number} heard the board in {ranges.size} of {fired} firings"
        wanted = "at least half is right: board flat and square under the bar, height as typed in"
        raise CommissionError(f"{told}; {wanted}.")
    return *robust_mean(ranges, LEAST_SD), ranges.size / fired


class Listener:
    """Keeps one bar's first echoes and the air's temperature; a Look in the end."""

    def __init__(self, device: str, elements: int) -> None:
        self._device = device
        self._flights: list[list[float]] = [[] for _ in range(elements)]
        self._fired = [0] * elements
        self._air: list[float] = []

    def __call__(self, given: Given) -> None:
        for s in given.samples:
            if isinstance(s, AirSample) and s.temperature_c is not None:
                self._air.append(s.temperature_c)
            elif isinstance(s, RangePing) and s.device == self._device:
                self._ping(s)

    def _ping(self, s: RangePing) -> None:
        if s.element < len(self._fired) and s.validity is not Validity.FAULT:
            self._fired[s.element] += 1
            self._flights[s.element] += [e.flight_s for e in s.echoes[:1]]

    def look(self, held_c: float | None = None) -> Look:
        """What was heard; held_c: of a thermometer held by hand, averaged with the rig's own."""
        own = float(np.mean(self._air)) if self._air else None
        known = [air for air in (own, held_c) if air is not None]
        air = sum(known) / len(known) if known else None
        return Look(tuple(map(np.array, self._flights)), tuple(self._fired), air, len(known) == 2)


def bar_result(
    looks: tuple[Look, Look], heights: tuple[float, float], *,
    height_u: float = HEIGHT_U, air_u: float = AIR_U,
) -> BarResult:  # fmt: skip
    """All elements of a bar."""
    elements = tuple(
        element(k, looks, heights, height_u=height_u, air_u=air_u)
        for k in range(len(looks[0].fired))
    )
    air = _mean_air(looks)
    return BarResult(elements, 0.5 * sum(heights), sound_of(air), air)


def bar_steps(
    device: str, elements: int, *, height_u: float = HEIGHT_U, air_u: float = AIR_U,
    seconds: float = LOOK_S, by_hand: bool = True,
) -> Steps[BarResult]:  # fmt: skip
    """The person lays a board under the bar at two heights and types them in. Moves no valve.

    by_hand: a second thermometer, held between bar and board, is asked for as well: half the
    sum of two independent ones is off by 1/sqrt(2) of what either is.
    """
    looks, heights = [], []
    for k, words in enumerate(("Lay a flat board square under the bar.", "Now the other height.")):
        heights.append((yield from _height(words, f"board {k}")))
        held = None
        if by_hand:
            told = "A thermometer held between bar and board, in the shade; what it says in C."
            held = yield from number_said(told, *AIRS, act="air")
        listener = Listener(device, elements)
        yield from for_seconds("Keep clear of the board.", seconds, listener)
        looks.append(listener.look(held))
    count = 2.0 if by_hand and all(look.by_both for look in looks) else 1.0
    return bar_result(
        (looks[0], looks[1]), (heights[0], heights[1]), height_u=height_u / math.sqrt(READINGS),
        air_u=air_u / math.sqrt(count),
    )  # fmt: skip


def _height(words: str, act: str) -> Steps[float]:
    """From the elements' faces down to the board, m: the mean of both ends of the bar."""
    left = yield from number_said(
        f"{words} Measure face to board at the bar's left end, in mm.", *HEIGHTS, act=act
    )
    right = yield from number_said("And at its right end, in mm.", *HEIGHTS, act="height")
    if abs(left - right) > SQUARE:
        told = f"The board is {abs(left - right):.1f} mm nearer at one end of the bar"
        raise CommissionError(f"{told}; at most {SQUARE:g} mm is right: put it square.")
    return 0.5e-3 * (left + right)
