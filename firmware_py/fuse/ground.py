"""What the ground will do next to the blade's pitch and roll: a linear (Wiener) prediction.

A track is a straight line laid through the ground under it (least squares), so its pitch and its
mean height are moving averages of the ground's slope over the track's length. On ground of
ISO 8608 the slope is white along a line; hence the covariance of the machine's rates is known
from its geometry and speed alone, and so is the best linear prediction from past gyro readings:
what has entered under the front of the tracks is still to come out at their rear.
Wiener-Hopf equations: any text on linear prediction (Papoulis, Probability, ch. 13, from memory).
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter, sub

import numpy as np
from numpy.typing import NDArray

# edges of the blocks (ticks back) over which past rates are averaged: fine near, coarse far
EDGES = (
    *range(4), *range(4, 12, 2), *range(12, 24, 4), *range(24, 64, 8), *range(64, 193, 16),
)  # fmt: skip
LATELY = 16  # ticks; averages the engine's vibration out
DEPTH = 256  # ticks of angle kept; more than the last edge
# for each newest tick, its window's angles at the blocks' edges; a negative index wraps
PAST = tuple(itemgetter(*(newest - edge for edge in EDGES)) for newest in range(DEPTH))
SPEEDS = (
    0.1,
    0.15,
    0.22,
    0.32,
    0.4,
    0.5,
    0.6,
    0.7,
    0.85,
    1.0,
    1.2,
    1.5,
    2.0,
)  # m/s, of the designs
UP_TO = [speed * 1.1 for speed in SPEEDS[:-1]]  # m/s; from there on, the next design
SLOPE_PSD = 1024e-6 * 0.1**2 * (2 * math.pi) ** 2 / 2  # rad^2 m, two-sided; ISO 8608 class D
SMOOTH_M = 0.12  # m; a track is as wide as it is long enough to average short waves away
ENGINE_HZ = ((22.0, 34.0), (44.0, 68.0))  # shaft and twice shaft, 1300 to 2050 rev/min; chosen
ENGINE_SHARE = (0.7, 0.3)  # of the vibration's power in the two bands
STEP_M = 0.005  # m; grid of the kernels
Array = NDArray[np.float64]


def kernel(track_m: float, mean: float, slope: float) -> Array:
    """Weight of the ground's slope, front to rear, in a rate: mean height's and slope's share.

    A least-squares line through the ground under a track: height 1/L, slope 12 s / L^3, 1/m.
    """
    s = np.arange(track_m / 2, -track_m / 2, -STEP_M)
    return mean / track_m + slope * 12.0 * s / track_m**3


def covariance(later: Array, earlier: Array, speed: float, lags_s: Array) -> Array:
    """Covariance of one rate, lags_s later, with another, for unit slope density."""
    window = np.hanning(max(3, round(2 * SMOOTH_M / STEP_M)))
    window /= window.sum()
    a, b = np.convolve(later, window), np.convolve(earlier, window)
    full = np.correlate(a, b, "full")[b.size - 1 :] * STEP_M
    return speed**2 * np.interp(lags_s * speed, np.arange(full.size) * STEP_M, full, right=0.0)


def vibration(lags_s: Array) -> Array:
    """Autocovariance of engine vibration of unit variance, its speed anywhere in ENGINE_HZ."""
    out = np.zeros(lags_s.size)
    for (low, high), share in zip(ENGINE_HZ, ENGINE_SHARE, strict=True):
        f = np.linspace(low, high, 25)[:, None]
        out += share * np.cos(2 * np.pi * f * lags_s).mean(axis=0)
    return out


@dataclass(frozen=True, slots=True)
class Geometry:
    """One rate that a gyro sees, and what is wanted of it: tracks, shares, densities, noise.

    seen, wanted: (mean, slope) shares of a track's line; density: of the ground's slope behind
    the rate (rad^2 m); white, engine: variances of the gyro over one tick, (rad/s)^2.
    """

    track_m: float
    seen: tuple[float, float]
    wanted: tuple[float, float]
    density: float
    tick_s: float
    white: float
    engine: float


Weights = tuple[float, ...]


@lru_cache(maxsize=512)
def design(g: Geometry, speed: float, ahead_s: float) -> tuple[Weights, Weights, Weights]:
    """Weights of the past blocks for the wanted rate ahead_s from now, its mean until then,
    and for what of it the gyro does not see now (the wanted mean height's share)."""
    ahead, past = max(1, round(ahead_s / g.tick_s)), EDGES[-1]
    seen, wanted = kernel(g.track_m, *g.seen), kernel(g.track_m, *g.wanted)
    blocks = np.zeros((len(EDGES) - 1, past))
    for k, (a, b) in enumerate(itertools.pairwise(EDGES)):
        blocks[k, a:b] = 1.0 / (b - a)
    lags: Array = g.tick_s * np.arange(past + ahead + 1, dtype=np.float64)
    own = covariance(seen, seen, speed, lags) * g.density + g.engine * vibration(lags)
    own[0] += g.white
    index = np.abs(np.subtract.outer(np.arange(past), np.arange(past)))
    normal = blocks @ own[index] @ blocks.T
    cross = covariance(wanted, seen, speed, lags) * g.density
    # index 0 is the mean over the tick just gone: what follows is one tick later
    later = np.stack([cross[k : k + past] for k in range(1, ahead + 1)])
    unseen = covariance(kernel(g.track_m, g.wanted[0], 0.0), seen, speed, lags)[:past] * g.density
    targets = np.stack([later[-1], later.mean(axis=0), unseen])
    weights = np.linalg.solve(normal, blocks @ targets.T).T
    spans = np.diff(EDGES) * g.tick_s  # weights are for turned angles, not for rates
    then, mean, hidden = (tuple(row) for row in (weights / spans).tolist())
    return then, mean, hidden


def on_angles(weights: Weights) -> Weights:
    """Weights of the turns within blocks as weights of the angles at the blocks' edges.

    Summation by parts: w1 (a0 - a1) + w2 (a1 - a2) = w1 a0 + (w2 - w1) a1 - w2 a2.
    """
    return tuple(map(sub, (*weights, 0.0), (0.0, *weights)))


class GroundRate:
    """Predicts what the ground does from one gyro rate's past. `push` each tick, then `ahead`."""

    STATE = ("angles", "newest", "angle", "past")

    def __init__(self, geometry: Geometry) -> None:
        self.geometry = geometry
        self.tables: dict[int, list[tuple[Weights, Weights, Weights]]] = {}
        self.reset()

    def reset(self) -> None:
        """Nothing seen yet."""
        self.angles = [0.0] * DEPTH
        self.newest = 0
        self.angle = 0.0
        self.past: Weights = ()  # the angles at the blocks' edges; () where nobody asked yet

    def prepare(self, aheads_s: list[float]) -> None:
        """Design the weights for these horizons now, so that no tick has to."""
        for ahead in aheads_s:
            ticks = max(1, round(ahead / self.geometry.tick_s))
            designs = (design(self.geometry, v, ticks * self.geometry.tick_s) for v in SPEEDS)
            self.tables[ticks] = [
                (on_angles(then), on_angles(mean), on_angles(hidden))
                for then, mean, hidden in designs
            ]

    def push(self, rate: float) -> None:
        """Take the rate over the last tick, rad/s."""
        self.angle += rate * self.geometry.tick_s
        self.newest = (self.newest + 1) % DEPTH
        self.angles[self.newest] = self.angle
        self.past = ()

    def ahead(self, ahead_s: float, speed: float) -> tuple[float, float]:
        """The wanted rate ahead_s from now, and its mean until then.

        Raises KeyError for a horizon that was not prepared.
        """
        ticks = max(1, round(ahead_s / self.geometry.tick_s))
        for_then, for_mean, _ = self.tables[ticks][_nearest(speed)]
        then = mean = 0.0
        for a, b, angle in zip(for_then, for_mean, self._past(), strict=True):
            then += a * angle
            mean += b * angle
        return then, mean

    def lately(self) -> float:
        """The rate seen over the last LATELY ticks, rad/s."""
        before = self.angles[(self.newest - LATELY) % DEPTH]
        return (self.angle - before) / (LATELY * self.geometry.tick_s)

    def hidden(self, speed: float) -> float:
        """The wanted mean height's share now, which the gyro does not see, m/s."""
        table = next(iter(self.tables.values()))
        out = 0.0
        for weight, angle in zip(table[_nearest(speed)][2], self._past(), strict=True):
            out += weight * angle
        return out

    def _past(self) -> Weights:
        """The angles at the blocks' edges, looked up once a tick."""
        if not self.past:
            self.past = PAST[self.newest](self.angles)
        return self.past


def _nearest(speed: float) -> int:
    return bisect_right(UP_TO, speed)
