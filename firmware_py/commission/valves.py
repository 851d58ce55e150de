"""From recorded small steps to what proportional valves do, each value with its uncertainty.

What is alike for on/off valves (on_off.py) stands here as well: speeds, dead time, lag, the map.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from firmware_py.commission import pulse_fit
from firmware_py.commission.estimate import Estimate
from firmware_py.commission.pulse_fit import Fit
from firmware_py.commission.taped import Places
from firmware_py.commission.valve_record import (
    BarPlace,
    Recording,
    by_side,
    every,
    pulses_of,
    speed_of,
    times_u,
    unbiased,
)
from firmware_py.messages import SIDES, Side


@dataclass(frozen=True)
class Mapped:
    """What a run needs of any valve and its cylinder; speeds of both ends alike (m/s)."""

    up: Estimate
    down: Estimate
    dead_time: Estimate
    lag: Estimate
    cylinder: Estimate  # from the blade's middle, m
    asymmetry: Estimate  # down over up

    def named(self) -> dict[str, Estimate]:
        """Every estimate by the name that it is stored under."""
        return {one.name.replace("_", " "): getattr(self, one.name) for one in fields(self)}


@dataclass(frozen=True)
class Valve(Mapped):
    """A proportional valve. Overlaps of full command."""

    overlap_up: Estimate
    overlap_down: Estimate


@dataclass(frozen=True)
class ValveMap:
    """Both valves; ends[i][j]: rate of end i (left, right) per full upward command of valve j."""

    valves: Mapping[Side, Mapped]
    ends: tuple[tuple[float, float], tuple[float, float]]
    half_width_m: float

    @property
    def dead_time(self) -> Estimate:
        """The later of both valves'."""
        return max((v.dead_time for v in self.valves.values()), key=lambda e: e.value)

    @property
    def lag(self) -> Estimate:
        return max((v.lag for v in self.valves.values()), key=lambda e: e.value)


def valve_map(rec: Recording, bar: BarPlace, half_width_m: float, guess: float) -> ValveMap:
    """Everything from one recording; guess: the overlap that the first steps have shown."""
    gyro = unbiased(rec)
    valves = {}
    for side, steps, places in by_side(rec, gyro, bar):
        fits = {
            sign: pulse_fit.fit(pulses_of(steps, gyro, sign), 0.1, guess, 0.08)
            for sign in (1.0, -1.0)
        }
        valves[side] = _valve(fits[1.0], fits[-1.0], places, every(gyro))
    return ValveMap(valves, ends_map(valves, half_width_m), half_width_m)


def ends_map(
    valves: Mapping[Side, Mapped], half: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The 2 x 2 map: a cylinder lifts its own end by (1 + b/a)/2 and the other by (1 - b/a)/2."""
    columns = []
    for side in SIDES:
        v = valves[side]
        own, other = 1.0 + half / v.cylinder.value, 1.0 - half / v.cylinder.value
        pair = (own, other) if side is Side.LEFT else (other, own)
        columns.append([0.5 * v.up.value * share for share in pair])
    (ll, rl), (lr, rr) = columns
    return (ll, lr), (rl, rr)


def _valve(up: Fit, down: Fit, places: Places, every_s: float) -> Valve:
    sd_up, sd_down = (np.sqrt(np.diag(f.covariance)) for f in (up, down))
    dead = pooled(up.dead_s, float(sd_up[0]), down.dead_s, float(sd_down[0]))
    lag = pooled(up.lag_s, float(sd_up[1]), down.lag_s, float(sd_down[1]))
    ratio = down.full / up.full
    share = math.hypot(float(sd_up[3]) / up.full, float(sd_down[3]) / down.full)
    return Valve(
        speed_of(up.full, float(sd_up[3]), places),
        speed_of(down.full, float(sd_down[3]), places),
        Estimate(dead[0], "s", dead[1], times_u(every_s)),
        Estimate(lag[0], "s", lag[1]),
        places.cylinder,
        Estimate(ratio, "1", ratio * share),
        Estimate(up.overlap, "1", float(sd_up[2])),
        Estimate(down.overlap, "1", float(sd_down[2])),
    )


def pooled(a: float, sd_a: float, b: float, sd_b: float) -> tuple[float, float]:
    """Mean of two weighed by their variances; wider where they disagree (Birge's ratio)."""
    wa, wb = 1.0 / sd_a**2, 1.0 / sd_b**2
    mean = (wa * a + wb * b) / (wa + wb)
    birge = abs(a - b) / math.hypot(sd_a, sd_b)
    return mean, max(1.0, birge / 2.0) / math.sqrt(wa + wb)
