"""The range gate that suits a job: the string inside it, all else outside by three sigma.

m. Clearances go down from the bar; near is the half towards the bar, far the half away from it.
An echo is gated as firmware_py/fuse/track.py does it: the range that an element reads, less the one
that the string would give it, as a change of vertical clearance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firmware_py.sense.ranging import MAY_SEE, NOISE_AT, element_positions
from firmware_py.sense.votes import BEHIND
from firmware_py.setout.alignment import Floats
from firmware_py.settings import DEG, MM, Bar, Rig

SIGMAS = 3.0
WANDER = 0.025  # m to either side: set within it is near enough (docs/ranging.md)
CLEARANCES = (0.4, 0.8)  # m; a bar works well in between (docs/ranging.md)
USED_STEP = 0.001  # m; halves are told in whole mm


@dataclass(frozen=True)
class Seen:
    """Something that is not the string: its top above it (m, < 0 below), aside of it in plan.

    It goes on outwards from there, unless it is a point: a pin.
    """

    words: str
    above: float
    aside: float = 0.0
    point: bool = False


@dataclass(frozen=True)
class GateFound:
    """Both halves (m), the sigma they keep off by, and why; `warnings` where none suits."""

    near: float
    far: float
    sigma: float
    clearance: float
    reasons: list[str]
    warnings: list[str]


def sigma_of(bar: Bar, clearance: float, pin_sd: float) -> float:
    """1 sigma of one echo's clearance against the string as meant, m."""
    noise = bar.noise_mm * MM * clearance / NOISE_AT
    return math.hypot(noise, bar.step_mm * MM / math.sqrt(12.0), pin_sd)


def apparent(bar: Bar, clearance: float, seen: Seen) -> Floats:
    """How much nearer (< 0) or farther than the string a thing reads, for each element, m.

    Over the bar's wander and for a thing on either side; NaN where no beam takes it in.
    """
    drop = clearance - seen.above  # from the bar down to its top
    y = np.array(element_positions(bar.elements, bar.spacing_mm * MM))
    if bar.turned:
        y = np.zeros_like(y)
    place = (y[:, None] + np.array([-WANDER, 0.0, WANDER])).ravel()
    gap = np.abs(np.abs(place) - seen.aside)
    if not seen.point:
        gap = np.where(np.abs(place) > seen.aside, 0.0, gap)
    read, string = np.hypot(drop, gap), np.hypot(clearance, place)
    off = (read - string) * string / clearance
    beam = MAY_SEE * math.tan(bar.beam_half_angle_deg * DEG)
    inside = (drop > 0.0) & (gap <= drop * beam)
    return np.where(inside, off, math.nan)


def find_gate(
    rig: Rig, bar: Bar, string_above: float, *, pin_sd: float, pin_proud: float, tolerance: float,
    things: Sequence[Seen],
) -> GateFound:  # fmt: skip
    """The gate for a string this far above the cutting edge on target.

    pin_proud: of the pins over their string; tolerance: of the layer; things: what else is there.
    """
    clearance = bar.above_mm * MM - string_above
    sigma = sigma_of(bar, max(clearance, 0.0), pin_sd)
    off = SIGMAS * sigma
    least = off + tolerance  # what the string itself needs on either side
    near, far = rig.gate.near_mm * MM, rig.gate.far_mm * MM
    reasons = [
        f"sigma of one echo is {_mm(sigma, 1)} mm at {_mm(clearance)} mm of clearance; the string "
        f"needs {_mm(least, 1)} mm to either side: three sigma and the layer's tolerance"
    ]
    warnings = _clearance_fits(bar, clearance)
    if clearance <= 0.0:
        return GateFound(near, far, sigma, clearance, reasons, warnings)
    pin = Seen("a pin's top", pin_proud, point=True)
    for thing in (pin, *things) if pin_proud > 0.0 else things:
        limits = _limits(bar, clearance, thing)
        if not any(map(math.isfinite, limits)):
            reasons.append(f"{thing.words} is in no beam")
        for half, word, at in zip(("near", "far"), ("nearer", "farther"), limits, strict=True):
            if math.isfinite(at):
                reasons.append(
                    f"{thing.words} reads {_mm(at)} mm {word} than the string or more: the "
                    f"{half} half stays under {_mm(max(at - off, 0.0))} mm"
                )
                warnings += _thing_fits(thing, at, at - off, least)
        near, far = min(near, limits[0] - off), min(far, limits[1] - off)
    near, far = _whole(max(near, least)), _whole(max(far, least))
    return GateFound(near, far, sigma, clearance, reasons, warnings)


def _limits(bar: Bar, clearance: float, thing: Seen) -> tuple[float, float]:
    """The least by which a thing reads nearer, and farther, than the string, m; inf: never."""
    off = apparent(bar, clearance, thing)
    nearer, farther = -off[off <= 0.0], off[off > 0.0]
    return float(nearer.min(initial=math.inf)), float(farther.min(initial=math.inf))


def _clearance_fits(bar: Bar, clearance: float) -> list[str]:
    low, high = bar.reach_near_mm * MM, bar.reach_far_mm * MM
    if not low <= clearance <= high:
        return [
            f"The bar would hang {_mm(clearance)} mm above the string; it reaches {_mm(low)} to "
            f"{_mm(high)} mm. Another string.above_mm is right."
        ]
    if not CLEARANCES[0] <= clearance <= CLEARANCES[1]:
        return [
            f"The bar hangs {_mm(clearance)} mm above the string; it works well from 400 to 800 mm."
        ]
    return []


def _thing_fits(thing: Seen, at: float, limit: float, least: float) -> list[str]:
    """Where no gate keeps the string in and the thing out, what would help."""
    if limit >= least:
        if -BEHIND < thing.above < 0.0:
            return [
                f"{_first(thing.words)} lies {_mm(-thing.above)} mm below the string; a start "
                f"needs {_mm(BEHIND)} mm: raise the string."
            ]
        return []
    short = _mm(least - limit)
    help_is = (
        f"let the pins stand {short} mm prouder" if thing.words == "a pin's top"
        else f"raise the string by {short} mm or clear it away" if thing.above < 0.0
        else "clear it away, or set the string farther from it"
    )  # fmt: skip
    return [
        f"No gate keeps {thing.words} out: it reads {_mm(at)} mm off the string, three sigma and "
        f"the tolerance take {_mm(at - limit + least)} mm; {help_is}."
    ]


def _first(words: str) -> str:
    return words[:1].upper() + words[1:]


def _whole(value: float) -> float:
    return math.floor(value / USED_STEP + 1e-9) * USED_STEP


def _mm(value: float, digits: int = 0) -> str:
    return f"{value / MM:.{digits}f}"
