"""What each tick asked for, and how far off the edge was. Left and right look up chainage.

Without a job: the target in force, datum and the driver's offset and crossfall. With a job: its
offset and crossfall by chainage, whatever the driver asked for on top. A cut's limit or an obstacle
raises the blade over what is asked; that is no part of the target here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.chainage import Along, datum_ticks
from firmware_py.asgraded.columns import Floats
from firmware_py.job import Job
from firmware_py.messages import SIDES, Side


@dataclass(frozen=True)
class Off:
    """By tick: error of each end (m) and of the crossfall (ratio), and what was asked there.

    asked_level: of the layer at each end (m), NaN without a job that has levels.
    """

    error: dict[Side, Floats]
    crossfall_error: Floats
    crossfall_asked: Floats
    offset: dict[Side, Floats]
    asked_level: dict[Side, Floats]


def off(trip: Along, job: Job | None) -> Off:
    """How far off each tick was from what was asked."""
    return _by_tick(trip) if job is None or trip.by_time else _by_job(trip, job)


def _by_tick(trip: Along) -> Off:
    """An end without a bar of its own: by the led end's error and the crossfall, for while a hand
    leads the other end the controller counts it from that end and not from its target."""
    c, other = trip.columns, trip.master.other
    nothing = np.full(len(c), np.nan)
    slope = c.crossfall - c.crossfall_target
    errors = {side: c.ends[side].error + c.raised for side in SIDES}
    if other not in trip.led:
        fallen = other.sign * trip.run.width * slope - c.ends[other].offset
        errors[other] = errors[trip.master] + fallen
    return Off(
        errors, slope,
        c.crossfall_target, {side: c.ends[side].offset for side in SIDES},
        dict.fromkeys(SIDES, nothing),
    )  # fmt: skip


def _by_job(trip: Along, job: Job) -> Off:
    """An end that a bar leads: its height over the datum's line less the job's offset there. The
    end that falls from it: by the job's own crossfall."""
    c, at = trip.columns, trip.at
    asked = between(at, job, "crossfall_pct") / 100.0
    slope = c.crossfall - asked
    led = _over_line(trip, trip.master) - _extra(trip, job, trip.master)
    other = trip.master.other
    if other in trip.led:
        errors = {other: _over_line(trip, other) - _extra(trip, job, other)}
    else:
        errors = {other: led + other.sign * trip.run.width * slope}
    errors[trip.master] = led
    level = between(at, job, "level_m")
    beside = Side(job.string_side) if job.string_side is not None else trip.master
    fall = -beside.sign * trip.run.width * asked  # from the string's side to the other
    return Off(
        errors, slope, asked, {side: c.ends[side].offset for side in SIDES},
        {beside: level, beside.other: level + fall},
    )  # fmt: skip


def _over_line(trip: Along, side: Side) -> Floats:
    """Height of an end over the line that its datum stands for, m."""
    c = trip.columns
    height: Floats = c.ends[side].error + c.ends[side].offset + c.scheduled + c.raised
    return height


def _extra(trip: Along, job: Job, side: Side) -> Floats:
    """The job's offset there, m. A run that did not follow the job had its datum set on the job's
    level of that place: then only what changes since counts."""
    extra = between(trip.at, job, "offset_mm") * 1e-3
    if trip.run.job:
        return extra
    at = datum_ticks(trip, side)
    there: Floats = np.where(at >= 0, np.nan_to_num(extra)[np.maximum(at, 0)], 0.0)
    return extra - there


def between(at: Floats, job: Job, key: str) -> Floats:
    """A key of the job's stations at each chainage, straight between them; NaN outside."""
    known = [(s.chainage_m, getattr(s, key)) for s in job.stations if getattr(s, key) is not None]
    if not known:
        return np.full(at.size, np.nan)
    x, y = np.array(known, np.float64).T
    found: Floats = np.interp(at, x, y, left=np.nan, right=np.nan)
    return found
