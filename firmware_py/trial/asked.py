"""What a job asks for at the true place of the blade, from its file: for the scorer alone.

By numpy's own interpolation, not by the controller's schedule. While a transition is refused, and
after that, what counts is the target that the driver chose: the controller's.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from firmware_py.job import Job
from firmware_py.messages import REFUSED
from firmware_py.settings import MM, Rig
from firmware_py.trial.score import Floats
from firmware_py.trial.scorer import Scorer


class Asked(NamedTuple):
    """By tick: offset over the reference's line (m), crossfall over that of the design (ratio)."""

    offset: Floats
    crossfall: Floats


def along_job(scorer: Scorer, job: Job, rig: Rig) -> Asked:
    """The job's targets; crossfall as the driver sees it, the driver's own nudges in it."""
    sign = -1.0 if rig.control.against_chainage else 1.0
    at = [station.chainage_m for station in job.stations]
    true = scorer.of_truth("chainage_m")
    offset = np.interp(true, at, [station.offset_mm * MM for station in job.stations])
    fall = sign * np.interp(true, at, [station.crossfall_pct / 100.0 for station in job.stations])
    believed = scorer.of_tick(lambda tick: tick.job_fall)
    target = scorer.of_tick(lambda tick: tick.crossfall_target)
    nudged = target - believed - (target[0] - believed[0])
    refused = np.fromiter((tick.transition == REFUSED for tick in scorer.ticks), bool)
    chosen = np.maximum.accumulate(refused)
    offset = np.where(chosen, scorer.of_tick(lambda tick: tick.job_offset_m), offset)
    fall = np.where(chosen, target - nudged, fall) + nudged
    crossfall: Floats = fall - scorer.of_truth("crossfall_target")
    return Asked(offset - offset[0], crossfall)
