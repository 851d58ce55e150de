"""Zero and scale of a bar's range elements against two known heights.

Ranges in m, from an element's face down to a flat board that is square to the bar. A reading is
true + zero + (scale - 1) * (true - middle), the middle being half way between the two heights:
there zero and scale do not depend on each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from firmware_py.commission.bar_sound import (
    Sound,
    apart,
    between,
    check_height,
    from_air,
    from_reflector,
    heard,
)
from firmware_py.commission.estimate import (
    CommissionError,
    Estimate,
    Term,
    rectangular,
    robust_mean,
)
from firmware_py.commission.looks import Listener, Look, Reflector
from firmware_py.commission.procedure import Steps, for_seconds, number_said

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
    sound: Estimate
    temperature_c: float | None
    words: str  # which speed of sound was used, and what it disagrees with
    reflector: Estimate | None = None  # its distance as its element hears it once calibrated, m


def element(
    number: int, looks: tuple[Look, Look], heights: tuple[float, float], sound: Sound, *,
    height_u: float = HEIGHT_U,
) -> Element:  # fmt: skip
    """Zero and scale of one element. heights: true distances (m) from its face to the board.

    Late and slipped echoes are left out by the median. A wrong speed of sound is common to both
    looks: it shifts the zero in proportion to the middle height, and the scale likewise.
    """
    means, noise, sds, shares = [], [], [], []
    for k, (look, height) in enumerate(zip(looks, heights, strict=True)):
        mean, sem, sd, share = _mean_range(number, look, height, sound.mps[k])
        means.append(mean - height)
        noise.append(math.hypot(sem, height * sound.noise[k]))
        sds.append(sd)
        shares.append(share)
    apart = heights[1] - heights[0]
    if abs(apart) < APART:
        raise CommissionError(f"The heights are {abs(apart):.3f} m apart; at least {APART:g} m")
    white = math.hypot(*noise)
    middle = 0.5 * sum(heights)
    wrong = sound.common
    zero = Estimate(
        0.5 * sum(means), "m", 0.5 * white,
        (Term("known heights", height_u / math.sqrt(2.0)), Term(wrong.name, middle * wrong.u)),
    )  # fmt: skip
    scale = Estimate(
        1.0 + (means[1] - means[0]) / apart, "1", white / abs(apart),
        (Term("known heights", height_u * math.sqrt(2.0) / abs(apart)),
         wrong),
    )  # fmt: skip
    if abs(scale.value - 1.0) > OFF_SCALE:
        told = f"Element {number} reads {scale.value:.3f} of the difference"
        raise CommissionError(f"{told}; 1 +- {OFF_SCALE:g} is right: measure the heights again.")
    return Element(number, zero, scale, max(sds), min(shares))


def _mean_range(
    number: int, look: Look, height: float, mps: float
) -> tuple[float, float, float, float]:
    """Mean range, its uncertainty, sd of one, share heard."""
    ranges = 0.5 * mps * look.flights[number]
    ranges = ranges[np.abs(ranges - height) < FAR_OFF]
    fired = look.fired[number]
    if fired == 0 or ranges.size < 0.5 * fired:
        told = f"Element {number} heard the board in {ranges.size} of {fired} firings"
        wanted = "at least half is right: board flat and square under the bar, height as typed in"
        raise CommissionError(f"{told}; {wanted}.")
    return *robust_mean(ranges, LEAST_SD), ranges.size / fired


def bar_result(
    looks: tuple[Look, Look], heights: tuple[float, float], *, height_u: float = HEIGHT_U,
    air_u: float = AIR_U, reflector: Reflector | None = None, shared: bool = False,
) -> BarResult:  # fmt: skip
    """All elements of a bar, by the speed of sound of its reflector or of the air.

    shared: another bar runs with the same speed, so that it is the air's, which the reflector
    checks; else with a reflector the other way round.
    """
    airs = [look.air_c for look in looks if look.air_c is not None]
    if reflector is None or shared:
        sound = from_air(looks, air_u)
    else:
        sound = from_reflector(looks, reflector)
    elements = tuple(
        element(k, looks, heights, sound, height_u=height_u) for k in range(len(looks[0].fired))
    )
    words, place, mean = sound.words, None, sum(airs) / len(airs) if airs else None
    if reflector is not None:
        place = _where(looks, heights, sound, elements[reflector.element], reflector)
        if len(airs) == len(looks):
            seen = between(looks, heights, reflector, height_u)
            words = f"{words} {apart(seen, from_air(looks, air_u).speed, reflector)}".strip()
    return BarResult(elements, 0.5 * sum(heights), sound.speed, mean, words, place)


def _where(
    looks: tuple[Look, Look], heights: tuple[float, float], sound: Sound, one: Element,
    reflector: Reflector,
) -> Estimate:  # fmt: skip
    """The reflector's distance in the element's own corrected ranges: with it, and no other, the
    run's speed of sound is the one that this calibration was made with."""
    middle, ways = 0.5 * sum(heights), []
    for look, mps in zip(looks, sound.mps, strict=True):
        flight, _ = heard(look, reflector)
        ways.append(middle + (0.5 * mps * flight - one.zero.value - middle) / one.scale.value)
    mean = 0.5 * sum(ways)
    off = mean - middle  # zero and scale do not depend on each other
    return Estimate(mean, "m", math.hypot(one.zero.u, off * one.scale.u))


def bar_steps(
    device: str, elements: int, *, height_u: float = HEIGHT_U, air_u: float = AIR_U,
    seconds: float = LOOK_S, by_hand: bool = True, reflector: Reflector | None = None,
    shared: bool = False,
) -> Steps[BarResult]:  # fmt: skip
    """The person lays a board under the bar at two heights and types them in. Moves no valve.

    by_hand: a second thermometer, held between bar and board, is asked for as well: half the
    sum of two independent ones is off by 1/sqrt(2) of what either is.
    """
    looks, heights = [], []
    for k, words in enumerate(("Lay a flat board square under the bar.", "Now the other height.")):
        heights.append((yield from _height(words, f"board {k}")))
        if reflector is not None:
            check_height(heights[-1], reflector)
        held = None
        if by_hand:
            told = "A thermometer held between bar and board, in the shade; what it says in C."
            held = yield from number_said(told, *AIRS, act="air")
        listener = Listener(device, elements, reflector)
        yield from for_seconds("Keep clear of the board.", seconds, listener)
        looks.append(listener.look(held))
    count = 2.0 if by_hand and all(look.by_both for look in looks) else 1.0
    return bar_result(
        (looks[0], looks[1]), (heights[0], heights[1]), height_u=height_u / math.sqrt(READINGS),
        air_u=air_u / math.sqrt(count), reflector=reflector, shared=shared,
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
