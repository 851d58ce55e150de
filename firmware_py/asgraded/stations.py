"""Stations: means over equal steps of chainage. Of several passes over one the last counts.

SI units; left and right look up chainage. Where no distance was known, steps are of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from firmware_py.asgraded.chainage import Along
from firmware_py.asgraded.columns import Floats
from firmware_py.asgraded.target import Off
from firmware_py.asgraded.uncertainty import Doubt
from firmware_py.messages import Side

STEP_M = 0.1  # a tenth of a second or two of driving; 31 stations to a 3 m straightedge
STEP_S = 0.5  # where only time is known


@dataclass(frozen=True)
class Stations:
    """One value a station, in order. NaN: driven over, but not known there.

    log: which log built it; part: its pass within that log; time_s and until_s: first and last
    tick, on that log's clock; u_*: standard uncertainty.
    """

    chainage: Floats
    log: NDArray[np.int64]
    part: NDArray[np.int64]
    time_s: Floats
    until_s: Floats
    left: Floats
    left_u: Floats
    right: Floats
    right_u: Floats
    crossfall: Floats  # error, ratio
    crossfall_u: Floats
    crossfall_asked: Floats
    left_offset: Floats
    right_offset: Floats
    left_level: Floats  # asked, m
    right_level: Floats
    lifted: Floats  # share of the ticks in which the edge was up for an obstacle of the job

    def __len__(self) -> int:
        return int(self.chainage.size)

    def error(self, side: Side) -> Floats:
        return self.left if side is Side.LEFT else self.right

    def u(self, side: Side) -> Floats:
        return self.left_u if side is Side.LEFT else self.right_u

    def level(self, side: Side) -> Floats:
        """Level asked for at an end, m."""
        return self.left_level if side is Side.LEFT else self.right_level

    def rows(self, keep: NDArray[np.bool_] | NDArray[np.int64]) -> Stations:
        """Some of the stations."""
        return Stations(*(getattr(self, one.name)[keep] for one in fields(self)))


def stations(trip: Along, what: Off, known: Doubt, number: int = 0) -> Stations:
    """The stations of one log; number: which log it is."""
    rows = np.flatnonzero(trip.graded)
    step = STEP_S if trip.by_time else STEP_M
    place = np.floor(trip.at[rows] / step + 1e-9).astype(np.int64)
    groups = _Groups(rows, place, trip.part[rows])
    u = {trip.master: known.led, trip.master.other: known.other}
    left, right, time = Side.LEFT, Side.RIGHT, trip.columns.time
    middle = (groups.place.astype(np.float64) + 0.5) * step
    return Stations(
        middle, np.full(groups.size, number), groups.part,
        groups.least(time), groups.most(time),
        groups.mean(what.error[left]), groups.mean(u[left]),
        groups.mean(what.error[right]), groups.mean(u[right]),
        groups.mean(what.crossfall_error), groups.mean(known.crossfall),
        groups.mean(what.crossfall_asked),
        groups.mean(what.offset[left]), groups.mean(what.offset[right]),
        groups.mean(what.asked_level[left]), groups.mean(what.asked_level[right]),
        groups.mean(trip.columns.lifted.astype(np.float64)),
    )  # fmt: skip


class _Groups:
    """Ticks by station and pass, of which the last pass over each station is kept."""

    def __init__(
        self, rows: NDArray[np.int64], place: NDArray[np.int64], part: NDArray[np.int64]
    ) -> None:
        if not rows.size:
            self._rows = self._at = self.place = self.part = rows
            self.size = 0
            return
        self.place, at = np.unique(place, return_inverse=True)
        last = np.full(self.place.size, -1, np.int64)
        np.maximum.at(last, at, part)
        kept = part == last[at]
        self._rows, self._at, self.part = rows[kept], at[kept], last
        self.size = int(self.place.size)

    def mean(self, values: Floats) -> Floats:
        """Mean of the known values of each station; NaN where none is."""
        taken = values[self._rows]
        known = np.isfinite(taken)
        total = np.bincount(self._at[known], taken[known], self.size)
        count = np.bincount(self._at[known], minlength=self.size)
        out = np.full(self.size, np.nan)
        np.divide(total, count, out=out, where=count > 0)
        return out

    def least(self, values: Floats) -> Floats:
        out = np.full(self.size, np.inf)
        np.minimum.at(out, self._at, values[self._rows])
        return out

    def most(self, values: Floats) -> Floats:
        out = np.full(self.size, -np.inf)
        np.maximum.at(out, self._at, values[self._rows])
        return out


def joined(parts: Sequence[Stations]) -> Stations:
    """Several logs by chainage: where two were over the same station, the later one counts."""
    whole = Stations(
        *(np.concatenate([getattr(p, one.name) for p in parts]) for one in fields(Stations))
    )
    order = np.lexsort((whole.log, np.round(whole.chainage, 6)))
    whole = whole.rows(order)
    if not len(whole):
        return whole
    key = np.round(whole.chainage / STEP_M * 2.0).astype(np.int64)
    return whole.rows(np.append(np.diff(key) > 0, True))
