"""Logs, job and what is taken for granted into stations; refuses what no report can be made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.chainage import Along, along
from firmware_py.asgraded.columns import Floats, Run
from firmware_py.asgraded.reading import ReportError
from firmware_py.asgraded.stations import STEP_M, STEP_S, Stations, joined, stations
from firmware_py.asgraded.target import off
from firmware_py.asgraded.uncertainty import Assumed, Doubt, doubt
from firmware_py.commission.shares import Share
from firmware_py.job import Job
from firmware_py.messages import SIDES

TOLERANCE_MM, CROSSFALL_TOLERANCE_PCT = 5.0, 0.3  # without a job; a job file's own defaults
SAME_M = 1e-4


@dataclass(frozen=True)
class Built:
    """Everything that a report is made of."""

    trips: tuple[Along, ...]
    stations: Stations
    shares: tuple[Share[float], ...]  # of the last log: means over its graded ticks
    assumed: Assumed
    job: Job | None
    tolerance: float  # m
    crossfall_tolerance: float  # ratio
    by_time: bool

    @property
    def step(self) -> float:
        return STEP_S if self.by_time else STEP_M

    @property
    def last(self) -> Along:
        return self.trips[-1]


def build(
    runs: Sequence[Run], job: Job | None = None, assumed: Assumed | None = None,
    starts: Sequence[float] = (),
) -> Built:  # fmt: skip
    """Stations of several logs, in the order in which they were driven. ReportError if there is
    nothing to tell. starts: chainage at which each log begins, where it does not tell itself."""
    trips = tuple(along(run, _start(run, starts, at)) for at, run in enumerate(runs))
    _together(trips)
    taken = assumed or Assumed()
    parts: list[Stations] = []
    shares: tuple[Share[float], ...] = ()
    for number, trip in enumerate(trips):
        _has_something(trip)
        known = doubt(trip, taken)
        parts.append(stations(trip, off(trip, job), known, number))
        shares = _shares(trip, known)
    whole = _inside(joined(parts), job, trips[0])
    tolerance = job.tolerance_mm if job else TOLERANCE_MM
    slope = job.crossfall_tolerance_pct if job else CROSSFALL_TOLERANCE_PCT
    return Built(
        trips, whole, shares, taken, job, tolerance * 1e-3, slope / 100.0, trips[0].by_time
    )  # fmt: skip


def _start(run: Run, starts: Sequence[float], at: int) -> float:
    if at < len(starts):
        return starts[at]
    return run.start_m if run.start_m is not None else 0.0


def _together(trips: Sequence[Along]) -> None:
    """Several logs must speak of one blade, and of chainage."""
    first = trips[0].run
    for trip in trips[1:]:
        if abs(trip.run.width - first.width) > SAME_M:
            raise ReportError(
                f"{trip.run.name} is of a blade {trip.run.width:g} m wide and {first.name} of one "
                f"{first.width:g} m wide; logs of one machine are right"
            )
    for trip in trips:
        if trip.by_time and len(trips) > 1:
            raise ReportError(
                f"{trip.run.name} holds no distance, so that it cannot be joined to another log "
                "by chainage; report it alone"
            )


def _has_something(trip: Along) -> None:
    name, c = trip.run.name, trip.columns
    if not any(np.isfinite(c.ends[side].error).any() for side in SIDES):
        raise ReportError(
            f"{name}: no datum was ever in force with its reference in view, so that nothing was "
            "asked and nothing can be reported"
        )
    if not trip.graded.any():
        raise ReportError(
            f"{name}: it was never driven forward in automatic (or by the cues of a rig without "
            "valves), so that there is no pass to report"
        )


def _inside(whole: Stations, job: Job | None, trip: Along) -> Stations:
    """The stations within the job; ReportError where it has none in common with the logs."""
    if job is None or trip.by_time:
        return whole
    first, last = job.stations[0].chainage_m, job.stations[-1].chainage_m
    keep = (whole.chainage >= first) & (whole.chainage <= last)
    if not keep.any():
        low, high = float(whole.chainage.min()), float(whole.chainage.max())
        raise ReportError(
            f'the job "{job.name}" runs from {first:g} to {last:g} m and the log from {low:.1f} to '
            f"{high:.1f} m: they have nothing in common; --start with the log's first chainage is "
            "right"
        )
    return whole.rows(keep)


def _shares(trip: Along, known: Doubt) -> tuple[Share[float], ...]:
    """Each source's mean over the graded ticks."""
    graded = trip.graded

    def mean(values: Floats) -> float:
        return float(values[graded].mean())

    return tuple(
        Share(one.name, mean(one.led), mean(one.other), mean(one.crossfall), one.source)
        for one in known.terms
    )
