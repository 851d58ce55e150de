"""What a person should look at before the pins go in: one sentence each, with what to do.

SI. These are warnings: they stop nothing.
"""

from __future__ import annotations

import numpy as np

from firmware_py.job import Job, Station, misfit
from firmware_py.setout import limits
from firmware_py.setout.alignment import Floats
from firmware_py.setout.design_file import Design
from firmware_py.setout.limits import Transition
from firmware_py.setout.pins import Rules
from firmware_py.setout.reading import Read
from firmware_py.settings import MM, Rig

MOST_ALIKE = 6  # warnings of one kind that are told
LEAST_STRING = 0.075  # m over the ground: nearer, soil and stones touch it (common practice)


def of_rig(design: Design, rig: Rig, crossfall: Floats) -> list[str]:
    """Why the rig could not follow the job that will be written."""
    steepest = Station(chainage_m=0, crossfall_pct=float(100 * np.abs(crossfall).max()))
    job = Job(name=design.name, layer=design.worked_on, string_side=design.string.side,
              stations=[steepest])  # fmt: skip
    words = misfit(job, rig)
    return [f"This rig cannot follow it: {words}"] if words else []


def _few(told: list[str]) -> list[str]:
    """The first of many warnings of one kind, and how many more there are."""
    more = len(told) - MOST_ALIKE
    return told if more <= 0 else [*told[:MOST_ALIKE], f"{more} more stretches like these."]


def of_slopes(read: Read, at: Floats, turns: list[Transition]) -> list[str]:
    """Transitions that are too quick, and what lies beyond the limits of accessible routes."""
    design = read.design
    most = design.limits.crossfall_rate_pct_per_m / 100
    told = _few(limits.transition_warnings(turns, most))
    if design.limits.accessible:
        tolerance = design.crossfall_tolerance_pct / 100
        told += _few(limits.accessible_warnings(read.strip, at, tolerance))
    return told


def of_spans(rules: Rules, pins: Floats, worst: Floats) -> list[str]:
    """Stretches in which the string errs by more than its tolerance. worst: from each pin on."""
    over = np.nan_to_num(worst) > rules.tolerance + 1e-9
    told = [
        f"{start:g} to {end:g} m: the string errs by {most / MM:.1f} mm, more than "
        f"{rules.tolerance / MM:g}, with pins as given or at the least spacing"
        for start, end, most in (
            (pins[one], pins[two], worst[one:two].max()) for one, two in _runs(over)
        )
    ]
    return _few(told)


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """Runs of True: first index, and the one behind the last."""
    padded = np.concatenate([[False], flags, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def of_ground(read: Read, pins: Floats, height: Floats) -> list[str]:
    """Ground that is not known, or too near below the string. height: of the string over it."""
    if read.ground is None:
        return ["No existing levels: pin lengths count from the layer, and there are no volumes."]
    told = []
    missing = np.isnan(height)
    if missing.any():
        told.append(
            f"The existing levels run from {read.ground.at[0]:g} to {read.ground.at[-1]:g} m; "
            "outside there are no volumes, and pin lengths count from the layer."
        )
    low = np.flatnonzero(height < LEAST_STRING)
    if low.size:
        k = int(low[np.argmin(height[low])])
        told.append(
            f"At {pins[k]:g} m the string is {height[k] / MM:.0f} mm above the ground; "
            f"{LEAST_STRING / MM:.0f} mm or more are right: raise string.above_mm."
        )
    return told
