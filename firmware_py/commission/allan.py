"""Allan deviation of a sensor at rest, and its noise coefficients.

Formulas: NIST SP 1065 (Riley, 2008), for y as averages over tau0: plain ADEV eq. 8, overlapping
eq. 11. Coefficients by the terms of IEEE Std 952 (from memory, see docs/commissioning.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from firmware_py.commission.estimate import CommissionError, Floats

LEAST_GROUPS = 9  # differences that a point of the curve needs: its own error is then some 25 %
FLICKER = math.sqrt(2.0 * math.log(2.0) / math.pi)  # 0.664: bias instability's flat floor


def adev(y: Floats, m: int = 1) -> float:
    """Plain Allan deviation of averages y at m times their own averaging time."""
    groups = len(y) // max(m, 1)
    if m < 1 or groups < 2:
        raise CommissionError(f"{len(y)} values averaged by {m} leave no two groups to compare")
    means = y[: groups * m].reshape(groups, m).mean(axis=1)
    return math.sqrt(0.5 * float(np.mean(np.diff(means) ** 2)))


def oadev(y: Floats, m: int = 1) -> float:
    """Overlapping Allan deviation of averages y at m times their own averaging time."""
    if m < 1 or len(y) < 2 * m:
        raise CommissionError(f"{len(y)} values averaged by {m} leave no two groups to compare")
    phase = np.concatenate([[0.0], np.cumsum(y)])
    second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
    return math.sqrt(0.5 * float(np.mean(second**2))) / m


def curve(y: Floats, tau0_s: float, points: int = 30) -> tuple[Floats, Floats]:
    """Averaging times (s, even on a log scale) and overlapping deviations."""
    most = len(y) // LEAST_GROUPS
    if most < 2:
        raise CommissionError(f"{len(y)} values are too few; {2 * LEAST_GROUPS} is the least")
    steps = np.unique(np.geomspace(1, most, points).round().astype(int))
    return steps * tau0_s, np.array([oadev(y, int(m)) for m in steps])


@dataclass(frozen=True)
class Noise:
    """Coefficients; unit x is that of the sensor (rad/s, m/s2). None: not seen in this record."""

    quantisation: float | None  # x s
    white: float | None  # x sqrt(s): angle or velocity random walk, read at 1 s
    flicker: float | None  # x: bias instability
    walk: float | None  # x / sqrt(s): rate random walk, read at 3 s
    ramp: float | None  # x / s


def coefficients(tau_s: Floats, deviation: Floats) -> Noise:
    """The five terms that fit the curve best, none below zero.

    sigma^2 = 3 Q^2/tau^2 + N^2/tau + (2 ln 2/pi) B^2 + K^2 tau/3 + R^2 tau^2/2. Least squares in
    relative error, weighed by how many groups a point has; every choice of terms is tried.
    """
    if not deviation.min() > 0.0:
        raise CommissionError("A reading never changes; look at the sensor, it seems stuck.")
    t = tau_s
    terms = np.stack([3.0 / t**2, 1.0 / t, np.full_like(t, FLICKER**2), t / 3.0, t**2 / 2.0], 1)
    weight = np.sqrt(t[-1] / t)
    rows = terms / (deviation**2)[:, None] * weight[:, None]
    best, found = math.inf, np.zeros(5)
    for size in range(1, 6):
        for some in map(list, combinations(range(5), size)):
            power = np.linalg.lstsq(rows[:, some], weight, rcond=None)[0]
            miss = float(((rows[:, some] @ power - weight) ** 2).sum())
            if (power >= 0.0).all() and miss < 0.98 * best:  # a term more must be worth it
                best, found = miss, np.zeros(5)
                found[some] = power
    return Noise(*(math.sqrt(p) if p > 0.0 else None for p in found))
