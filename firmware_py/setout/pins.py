"""Where the pins stand: as far apart as tolerance, bends and the tape allow.

m along the job and in height. pull = weight over tension of the line, 1/m.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from firmware_py.setout import string
from firmware_py.setout.alignment import Floats
from firmware_py.setout.strip import Strip

SHARES = np.linspace(0.0, 1.0, 33)  # of a span: where it is looked at
STEP = 0.1  # m between the spacings that are tried
AT_ONCE = 64  # spans that are looked at together: quick on long jobs
ROUND = 0.05  # m; chainages of pins are read off a tape
SLACK = 1e-9


@dataclass(frozen=True)
class Rules:
    """What a span must keep: tolerance (m) of bow, sag and both; spacing; the line's pull."""

    tolerance: float
    most: float
    least: float
    pull: float


@dataclass(frozen=True)
class Span:
    """A stretch in which no span may be longer than this, m."""

    start: float
    end: float
    most: float


def worst_errors(strip: Strip, start: Floats, end: Floats, pull: float) -> Floats:
    """The largest of |bow|, sag and |bow + sag| of each span, m. start and end of equal shape."""
    at = start[:, None] + (end - start)[:, None] * SHARES
    level = strip.edge(at.ravel()).reshape(at.shape)
    line = level[:, :1] + (level[:, -1:] - level[:, :1]) * SHARES
    bow = level - line
    sag = string.sag_at(at - start[:, None], (end - start)[:, None], pull, 1.0)
    worst = np.maximum(np.abs(bow), np.abs(bow + sag)).max(axis=1)
    out: Floats = np.maximum(worst, sag.max(axis=1))
    return out


def fixed_places(strip: Strip, rules: Rules, wanted: Sequence[float]) -> Floats:
    """Chainages that must have a pin: both ends, those wanted, ends of curves, and kinks.

    A kink or a curve counts where the longest span over it would err by half the tolerance.
    """
    at, jump = strip.kinks()
    err = np.abs(jump) * rules.most / 4.0
    profile = strip.profile
    bend = np.abs(np.diff(profile.rate)) * rules.most**2 / 8.0
    curve = profile.knots[1:-1][bend > 0.5 * rules.tolerance]
    sharp = np.union1d(at[err > 0.5 * rules.tolerance], curve)
    start, end = strip.profile.start, strip.profile.end
    inside = [one for one in wanted if start < one < end]
    kept = [start]
    for one in sorted({*sharp.tolist(), *inside}):
        if one in inside or one - kept[-1] >= rules.least:
            kept.append(one)
    if kept[-1] > end - SLACK:
        kept.pop()
    return np.array([*kept, end])


def place_pins(
    strip: Strip, rules: Rules, bends: Sequence[Span] = (), wanted: Sequence[float] = ()
) -> Floats:
    """Chainages of pins, m: even spans between the fixed places where that keeps the rules."""
    pins: list[float] = []
    for start, end in pairwise(fixed_places(strip, rules, wanted).tolist()):
        found = _stretch(strip, rules, bends, start, end)
        pins += found[:-1]
    return np.array([*pins, strip.profile.end])


def _stretch(
    strip: Strip, rules: Rules, bends: Sequence[Span], start: float, end: float
) -> list[float]:
    """Pins from start to end: as few as need be, then evenly spread if that is good as well."""
    walked = [start]
    while walked[-1] < end - SLACK:
        walked += _longest(strip, rules, bends, walked[-1], end)
        if walked[-1] < end - SLACK:
            walked.append(_next(strip, rules, bends, walked[-1], end))
    even = np.linspace(start, end, len(walked))
    even[1:-1] = np.round(even[1:-1] / ROUND) * ROUND
    if len(walked) > 2 and np.all(np.diff(even) > 0.0) and _keeps(strip, rules, bends, even):
        return [float(one) for one in even]
    return walked


def _most_here(rules: Rules, bends: Sequence[Span], start: float) -> float:
    """The longest span from here: no longer than a bend that it reaches into allows."""
    most = rules.most
    for bend in bends:
        if bend.end > start and bend.start < start + most:
            most = min(most, max(bend.most, bend.start - start))
    return most


def _longest(
    strip: Strip, rules: Rules, bends: Sequence[Span], start: float, end: float
) -> list[float]:
    """As many spans of the longest kind as keep the rules from here, at most AT_ONCE."""
    places = np.minimum(start + rules.most * np.arange(AT_ONCE + 1), end)
    places = places[: int(np.searchsorted(places, end)) + 1]
    spans = np.diff(places)
    limits = np.array([_most_here(rules, bends, one) for one in places[:-1].tolist()])
    good = worst_errors(strip, places[:-1], places[1:], rules.pull) <= rules.tolerance
    good &= spans <= limits + SLACK
    count = int(np.argmin(good)) if not good.all() else good.size
    return [float(one) for one in places[1 : count + 1]]


def _next(
    strip: Strip, rules: Rules, bends: Sequence[Span], start: float, end: float
) -> float:  # fmt: skip
    most = _most_here(rules, bends, start)
    tries = np.arange(most, rules.least, -STEP)
    tries = np.append(tries, min(rules.least, most))
    ends = np.unique(np.minimum(start + tries, end))[::-1]
    good = worst_errors(strip, np.full(ends.size, start), ends, rules.pull) <= rules.tolerance
    return float(ends[np.argmax(good)] if good.any() else ends[-1])


def _keeps(strip: Strip, rules: Rules, bends: Sequence[Span], pins: Floats) -> bool:
    spans = np.diff(pins)
    limits = np.array([_most_here(rules, bends, one) for one in pins[:-1].tolist()])
    if np.any(spans > limits + SLACK):
        return False
    return bool(np.all(worst_errors(strip, pins[:-1], pins[1:], rules.pull) <= rules.tolerance))
