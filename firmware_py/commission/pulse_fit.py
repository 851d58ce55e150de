"""One valve, one direction: overlap, speed, dead time and lag from recorded steps.

A step of command u from t0 to t1 opens the valve a dead time later; the rate follows first order.
Above the overlap o the settled rate is g (u - o)/(1 - o). Output error fit (Ljung, System
Identification) to the gyro; its covariance allows for noise that correlates (Newey and West,
Econometrica 55, 1987), as an engine's does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from firmware_py.commission.estimate import CommissionError, Floats

MEMORY_S = 0.25  # s over which the noise may correlate: some turns of an engine
LEAST_LAG_S = 0.004  # s; a faster valve cannot be told from a step
ROUNDS = 60
SETTLED = 1e-7  # relative gain of a round below which the fit is done
LEAST_PULSES = 3
START_LAG_S = 0.05
SHARES = (0.75, 1.33)  # of the line through all steps that any one may lie at


@dataclass(frozen=True)
class Pulse:
    """One step: |command|, times it was written and ended, and the gyro around it.

    rate: rad/s about the roll axis, counted > 0 the way this step should turn the blade, its bias
    taken out; each is the mean since the time before (times[0] only begins the first).
    """

    size: float
    start_s: float
    end_s: float
    times: Floats
    rate: Floats


@dataclass(frozen=True)
class Fit:
    """Dead time, lag (s), overlap (of full command), full rate (rad/s), and their covariance."""

    dead_s: float
    lag_s: float
    overlap: float
    full: float
    covariance: Floats


def moved(x: Floats, lag: float) -> Floats:
    """Integral over x of a first-order step response of height 1 that begins at 0."""
    x = np.maximum(x, 0.0)
    return x + lag * np.expm1(-x / lag)


def rates(p: Floats, pulse: Pulse) -> Floats:
    """Mean rate between the pulse's times for parameters (dead, lag, overlap, full)."""
    dead, lag, overlap, full = p.tolist()
    height = full * max(pulse.size - overlap, 0.0) / (1.0 - overlap)
    t = pulse.times - dead
    way = moved(t - pulse.start_s, lag) - moved(t - pulse.end_s, lag)
    out: Floats = height * np.diff(way) / np.diff(pulse.times)
    return out


Model = Callable[[Floats, Pulse], Floats]  # four parameters, the first two dead time and lag (s)


@dataclass(frozen=True)
class Shape:
    """A model of a pulse, and the least and the greatest that its parameters may be."""

    rates: Model
    low: Floats
    high: Floats

    def stack(self, p: Floats, pulses: Sequence[Pulse]) -> Floats:
        return np.concatenate([self.rates(p, pulse) for pulse in pulses])

    def slopes(self, p: Floats, pulses: Sequence[Pulse]) -> Floats:
        """Of each parameter, by central differences."""
        columns = []
        for k, h in enumerate((1e-4, 1e-4, 1e-5, 1e-6)):
            e = np.zeros(4)
            e[k] = h
            columns.append((self.stack(p + e, pulses) - self.stack(p - e, pulses)) / (2.0 * h))
        return np.stack(columns, axis=1)


def fit(pulses: Sequence[Pulse], dead_s: float, overlap: float, full: float) -> Fit:
    """A proportional valve from a first guess; CommissionError when its steps give no answer."""
    smallest = min((pulse.size for pulse in pulses), default=1.0)
    shape = Shape(
        rates, np.array([0.0, LEAST_LAG_S, 0.0, 1e-3]),
        np.array([0.6, 0.8, smallest - 0.005, 10.0]),  # every step is above the overlap
    )  # fmt: skip
    p, covariance = solve(shape, pulses, np.array([dead_s, START_LAG_S, overlap, full]))
    for pulse, share in zip(pulses, shares(shape, p, pulses), strict=True):
        if not SHARES[0] < share < SHARES[1]:
            told = f"A step of {100 * pulse.size:.0f} % moved {share:.2f} of what the others say"
            right = f"{SHARES[0]:g} to {SHARES[1]:g} is right"
            raise CommissionError(
                f"{told}; {right}. Does the valve stick, or is it an on/off one (valves.pulsed)?"
            )
    dead, lag, least, most = p.tolist()
    return Fit(dead, lag, least, most, covariance)


def solve(shape: Shape, pulses: Sequence[Pulse], start: Floats) -> tuple[Floats, Floats]:
    """Parameters and their covariance by Levenberg's damped least squares from a first guess."""
    if len(pulses) < LEAST_PULSES:
        raise CommissionError(f"{len(pulses)} steps are too few; {LEAST_PULSES} is the least")
    seen = np.concatenate([pulse.rate for pulse in pulses])

    def error(p: Floats) -> float:
        return float(((seen - shape.stack(p, pulses)) ** 2).sum())

    p = np.clip(start, shape.low, shape.high)
    damping, least = 1e-3, error(p)
    for _ in range(ROUNDS):
        J = shape.slopes(p, pulses)
        H = J.T @ J
        left = seen - shape.stack(p, pulses)
        step = np.linalg.lstsq(H + damping * np.diag(np.diag(H)), J.T @ left, rcond=None)[0]
        tried = np.clip(p + step, shape.low, shape.high)
        new = error(tried)
        if new > least:
            damping *= 10.0
            continue
        done = least - new < SETTLED * least and damping < 1.0
        p, least, damping = tried, new, max(0.1 * damping, 1e-9)
        if done:
            break
    return p, _covariance(shape, p, pulses, seen)


def shares(shape: Shape, p: Floats, pulses: Sequence[Pulse]) -> list[float]:
    """How much each step moved of what the model of all of them says."""
    out = []
    for pulse in pulses:
        model = shape.rates(p, pulse)
        out.append(float(model @ pulse.rate) / max(float(model @ model), 1e-12))
    return out


def _covariance(shape: Shape, p: Floats, pulses: Sequence[Pulse], seen: Floats) -> Floats:
    """Sandwich of slopes and the residuals' autocovariance, tapered to nothing at MEMORY_S."""
    J = shape.slopes(p, pulses)
    left = seen - shape.stack(p, pulses)
    middle = np.zeros((4, 4))
    ends = np.cumsum([0] + [pulse.rate.size for pulse in pulses])
    dt = float(np.mean(np.diff(pulses[0].times)))
    lags = min(round(MEMORY_S / dt), min(pulse.rate.size for pulse in pulses) - 1)
    spans = [slice(a, b) for a, b in pairwise(ends.tolist())]
    for lag in range(lags + 1):
        taper = 1.0 - lag / (lags + 1.0)
        pairs = [(left[s][: left[s].size - lag], left[s][lag:]) for s in spans]
        power = sum(float(a @ b) for a, b in pairs) / sum(a.size for a, _ in pairs)
        part = sum((J[s][: left[s].size - lag].T @ J[s][lag:] for s in spans), np.zeros((4, 4)))
        middle += taper * power * (part if lag == 0 else part + part.T)
    bread = np.linalg.pinv(J.T @ J)
    return bread @ middle @ bread
