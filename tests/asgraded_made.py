"""Runs made by hand for the tests of the as-graded report: columns from a few lists."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from firmware_py.asgraded.columns import (
    GUIDES,
    LINKS,
    MODES,
    STATES,
    Columns,
    End,
    Floats,
    Run,
    Said,
)
from firmware_py.messages import EndState, Guide, Link, Mode, SetDatum, Side

TICK_S = 0.01
SPEED = 0.5  # m/s
SETTINGS: dict[str, Any] = {
    "name": "by hand",
    "blade": {"width_mm": 1800.0},
    "bars": {"left": {"above_mm": 750.0, "outside_mm": 300.0}},
    "left": {"guide": "string"},
    "right": {"guide": "fall"},
    "valves": {"dead_time_ms": 80.0},
    "air": {"lag_s": 30.0},
    "control": {"tick_hz": 100.0, "master": "left", "against_chainage": False},
}


def end(count: int, error: Floats | float, *, guide: Guide, bar: bool) -> End:
    full = np.full(count, 1.0)
    nothing = np.full(count, np.nan)
    return End(
        error=error * full, error_sd=0.0007 * full, offset=0.0 * full, valve=0.0 * full,
        state=np.full(count, STATES.index(EndState.LED), np.int8),
        guide=np.full(count, GUIDES.index(guide), np.int8), capped=np.zeros(count, bool),
        link=np.full(count, LINKS.index(Link.TRACKING) if bar else -1, np.int8),
        clearance=0.6 * full if bar else nothing,
        clearance_sd=0.0005 * full if bar else nothing,
    )  # fmt: skip


def columns(
    distance: Floats, left: Floats | float = 0.0, right: Floats | float = 0.0, **more: Any
) -> Columns:
    """A run over these distances, m, one a tick; automatic all the while."""
    count = distance.size
    full = np.full(count, 1.0)
    parts: dict[str, Any] = {
        "number": np.arange(count), "time": TICK_S * np.arange(count), "distance": distance,
        "chainage": np.full(count, np.nan), "speed": SPEED * full,
        "mode": np.full(count, MODES.index(Mode.AUTO), np.int8), "crossfall": 0.02 * full,
        "crossfall_sd": 0.0014 * full, "crossfall_target": 0.02 * full, "scheduled": 0.0 * full,
        "raised": 0.0 * full, "lifted": np.zeros(count, bool), "pitch": 0.0 * full,
        "chip_c": 18.0 * full, "air_c": 17.0 * full,
        "engaged": np.ones(count, bool), "faults": np.zeros((count, 0), bool), "fault_names": (),
        "ends": {
            Side.LEFT: end(count, left, guide=Guide.STRING, bar=True),
            Side.RIGHT: end(count, right, guide=Guide.FALL, bar=False),
        },
    }  # fmt: skip
    return Columns(**(parts | more))


def run(made: Columns, said: Sequence[Said] = (), **more: Any) -> Run:
    parts: dict[str, Any] = {
        "name": "made.mcap", "columns": made, "settings": SETTINGS, "notes": {}, "versions": {},
        "started": "2026-05-04T08:00:00+00:00",
        "said": tuple(said) or (Said(0, 0.0, SetDatum(1, Side.LEFT)),), "refused": (),
        "checks": (), "holes": (), "lost": (), "job": {}, "start_m": None,
    }  # fmt: skip
    return Run(**(parts | more))


def way(metres: float, start: float = 0.0) -> Floats:
    """Distances of a drive at SPEED."""
    steps = round(abs(metres) / (SPEED * TICK_S))
    found: Floats = start + np.sign(metres) * SPEED * TICK_S * np.arange(1, steps + 1)
    return found


def against() -> dict[str, Any]:
    """The settings of a run against chainage."""
    return SETTINGS | {"control": SETTINGS["control"] | {"against_chainage": True}}
