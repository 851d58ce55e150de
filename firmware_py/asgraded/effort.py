"""What the valves did, and how near the loop came to the least error behind its dead time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.chainage import Along
from firmware_py.asgraded.columns import Bools
from firmware_py.messages import SIDES, EndState, Mode, Side
from firmware_py.settings import MM
from firmware_py.trial.score import loop_health, reversals

LEAST_S = 20.0  # a shorter record says nothing of the loop (libraries' measured traps)
AT_REST = 1e-9  # of full command


@dataclass(frozen=True)
class Effort:
    """One end, over the automatic ticks: shares 0..1; command of -1..1; reversals a second."""

    moving: float
    mean_command: float
    most: float
    reversals_per_s: float
    capped: float


def effort(trip: Along, side: Side) -> Effort | None:
    """None on a rig without valves, or where nothing was automatic."""
    end, auto = trip.columns.ends[side], trip.columns.modes(Mode.AUTO)
    if trip.run.settings.get("valves") is None or not auto.any():
        return None
    valve = end.valve[auto]
    open_ = np.abs(valve) > AT_REST
    seconds = valve.size * trip.run.tick_s
    return Effort(
        float(open_.mean()), float(np.abs(valve).mean()), float(np.abs(valve).max()),
        reversals(np.sign(valve)) / seconds, float(end.capped[auto].mean()),
    )  # fmt: skip


@dataclass(frozen=True)
class Health:
    """Harris' index by end (NaN: too little to say), the dead time it is for, and its record."""

    index: dict[Side, float]
    dead_s: float
    record_s: dict[Side, float]


def health(trip: Along) -> Health | None:
    """Over the longest stretch of automatic of each end; None on a rig without valves.

    By the error that the controller believed in, at the rig file's own dead time.
    """
    valves = trip.run.settings.get("valves")
    if valves is None:
        return None
    dead = float(valves["dead_time_ms"]) * MM
    ticks = max(1, math.ceil(dead / trip.run.tick_s))
    index, record = {}, {}
    for side in SIDES:
        end = trip.columns.ends[side]
        led = end.states(EndState.LED, EndState.COAST) & np.isfinite(end.error)
        whole = led & trip.columns.modes(Mode.AUTO)
        first, last = _longest(whole & _no_gap(trip))
        error = end.error[first:last]
        record[side] = error.size * trip.run.tick_s
        index[side] = loop_health(error, ticks) if record[side] >= LEAST_S else math.nan
    return Health(index, dead, record)


def _no_gap(trip: Along) -> Bools:
    """False at a tick before which the log lacks one."""
    number = trip.columns.number
    found: Bools = np.diff(number, prepend=number[:1] - 1) == 1
    return found


def _longest(mask: Bools) -> tuple[int, int]:
    """First row and the row after the last of the longest run of True."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if not starts.size:
        return 0, 0
    best = int(np.argmax(ends - starts))
    return int(starts[best]), int(ends[best])
