"""Where along the job each tick was, which ticks graded, and in which pass. Looks up chainage.

Left, right and crossfall are turned here, once: a run against chainage has its driver's left on
the right. A pass ends where the machine backs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firmware_py.asgraded.columns import Bools, Columns, Floats, Run
from firmware_py.messages import SIDES, EndState, Mode, SetDatum, Side

BACK_M = 0.3  # m of backing that ends a pass: more than a distance sensor's noise
STILL_M = 1e-4  # m a tick; less is standing
DISTANCE_WORDS = "The log holds no distance: there was no distance sensor, or it was silent."


@dataclass(frozen=True)
class Along:
    """A run along the job. by_time: no distance was known, and `at` is time since the start (s).

    at: chainage (m); graded: ticks that count as built; part: number of the pass, from 0.
    columns: as of Run, but left and right, and with them crossfall, look up chainage.
    """

    run: Run
    columns: Columns
    at: Floats
    step: Floats  # m driven forward in the tick, >= 0; 0 by time
    graded: Bools
    part: NDArray[np.int64]
    by_time: bool
    master: Side

    @property
    def led(self) -> tuple[Side, ...]:
        """Ends that a bar of their own leads."""
        return tuple(_seen(self, side) for side in self.run.led())

    @property
    def parts(self) -> int:
        return int(self.part.max()) + 1 if self.part.size else 0


def along(run: Run, start_m: float = 0.0) -> Along:
    """Place a run: the tick's own chainage, else start_m and the distance from the log's start."""
    columns = turned(run.columns) if run.against else run.columns
    way = held(run.columns.distance)
    if not np.isfinite(way).any():
        at = columns.time - columns.time[0]
        nothing = np.zeros(at.size)
        graded = columns.modes(Mode.AUTO, Mode.CUE_ONLY)
        part = np.zeros(at.size, np.int64)
        return Along(run, columns, at, nothing, graded, part, True, _master(run))
    first = way[np.flatnonzero(np.isfinite(way))[0]]
    way = np.where(np.isfinite(way), way, first)
    if columns.number[0] > 0:  # an excerpt: the run began before it, where the distance was 0
        first = 0.0
    sign = -1.0 if run.against else 1.0
    told = held(columns.chainage)
    at = np.where(np.isfinite(told), told, start_m + sign * (way - first))
    step = np.diff(way, prepend=way[:1])
    graded = (step > STILL_M) & columns.modes(Mode.AUTO, Mode.CUE_ONLY)
    return Along(
        run, columns, at, np.maximum(step, 0.0), graded, passes(way), False, _master(run)
    )  # fmt: skip


def _master(run: Run) -> Side:
    return run.master.other if run.against else run.master


def held(values: Floats) -> Floats:
    """Each gap filled with the last value before it; NaN before the first."""
    known = np.isfinite(values)
    last = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    filled = np.where(last >= 0, values[np.maximum(last, 0)], np.nan)
    return filled


def passes(way: Floats) -> NDArray[np.int64]:
    """Number of the pass each tick belongs to: it rises where the way falls by BACK_M or more.

    The backing itself and the way forward after it are of the new pass: what is driven over again
    is built again.
    """
    out = np.zeros(way.size, np.int64)
    number, top, low, backing = 0, -np.inf, np.inf, False
    for at, here in enumerate(way.tolist()):
        if not backing:
            top = max(top, here)
            if here < top - BACK_M:
                backing, low, number = True, here, number + 1
        else:
            low = min(low, here)
            if here > low + BACK_M:
                backing, top = False, here
        out[at] = number
    return out


def turned(columns: Columns) -> Columns:
    """The same with left and right swapped, and the crossfall with them."""
    return replace(
        columns, crossfall=-columns.crossfall, crossfall_target=-columns.crossfall_target,
        ends={side: columns.ends[side.other] for side in SIDES},
    )  # fmt: skip


def overridden(columns: Columns) -> Bools:
    """Ticks with a hand on either lever."""
    hands = (EndState.OVERRIDE, EndState.BY_HAND)
    found: Bools = columns.ends[Side.LEFT].states(*hands) | columns.ends[Side.RIGHT].states(*hands)
    return found


def datum_ticks(trip: Along, side: Side) -> NDArray[np.int64]:
    """For each tick the row at which its datum was set; -1 before the first."""
    rows = [
        int(np.searchsorted(trip.columns.number, said.number))
        for said in trip.run.said
        if isinstance(said.request, SetDatum) and _seen(trip, said.request.end) is side
    ]
    out = np.full(len(trip.columns), -1, np.int64)
    for row in rows:
        out[row:] = row
    return out


def _seen(trip: Along, side: Side) -> Side:
    return side.other if trip.run.against else side
