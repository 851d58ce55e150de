"""The job's covers and poles: where the edge was up because the job asked for it. SI units.

Such a place says nothing of how well the edge was led, so the figures leave it out and tell it
apart. It is what the job lists, and the way up to it and down from it as the log has it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.build import Built
from firmware_py.asgraded.columns import Bools
from firmware_py.asgraded.figures import runs
from firmware_py.job import Obstacle

ROUND_M = 1e-6  # less of a station than this is rounding


@dataclass(frozen=True)
class Place:
    """A stretch that is left out: from and to (m), its rows of the stations, what stands there."""

    start: float
    end: float
    rows: slice
    listed: tuple[Obstacle, ...]


def places(built: Built) -> tuple[Place, ...]:
    """The stretches of the job's covers and poles, in order; none without a job or a distance."""
    if built.job is None or built.by_time:
        return ()
    solid = [one for one in built.job.obstacles if one.kind != "gap"]
    at, half = built.stations.chainage, built.step / 2
    up = built.stations.lifted > 0.0
    for one in solid:
        up |= (at + half > one.from_m + ROUND_M) & (at - half < one.to_m - ROUND_M)
    found = []
    for first, last in runs(up, at, built.step):
        start, end = float(at[first] - half), float(at[last] + half)
        here = tuple(one for one in solid if one.from_m < end and one.to_m > start)
        if here:  # lifted with nothing listed there stays in the figures
            found.append(Place(start, end, slice(first, last + 1), here))
    return tuple(found)


def clear(built: Built) -> Bools:
    """The stations that the figures count: all but those places."""
    keep = np.ones(len(built.stations), bool)
    for one in places(built):
        keep[one.rows] = False
    return keep


def words(place: Place) -> str:
    """What stands there, by the job's own words."""
    return ", ".join(one.words or one.kind for one in place.listed)
