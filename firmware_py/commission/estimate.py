"""A measured value with its uncertainty, in the manner of JCGM 100:2008 (GUM).

Type A comes from the scatter of the data, type B from terms that are stated with their reason.
Intervals are k = 2. A type A term from few data is widened as JCGM 101:2008, 6.4.9 has it: the
t-distribution's own standard deviation, sqrt(dof / (dof - 2)) times s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_py.errors import LineholdError

Floats = NDArray[np.float64]

K = 2.0  # coverage factor of every interval told
MAD_TO_SD = 1.4826  # of a normal distribution
GATE_SD = 5.0  # a reading farther from the median is a fault, not noise
LEAST_DOF = 4  # fewer repeats than five say too little of their own scatter


class CommissionError(LineholdError, ValueError):
    """Commissioning data that cannot give a result, or a result that must be refused."""


class Surprise(LineholdError, RuntimeError):  # noqa: N818  it is what the person is told
    """The machine did not do what was asked: valves neutral, and the procedure is over."""


@dataclass(frozen=True)
class Term:
    """One type B term: standard uncertainty in the estimate's own unit, and where it is from."""

    name: str
    u: float


@dataclass(frozen=True)
class Estimate:
    """value in `unit`; type_a as it stands after the widening for few data."""

    value: float
    unit: str
    type_a: float
    type_b: tuple[Term, ...] = ()

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root of the sum of squares."""
        return math.hypot(self.type_a, *(term.u for term in self.type_b))

    @property
    def low(self) -> float:
        return self.value - K * self.u

    @property
    def high(self) -> float:
        return self.value + K * self.u

    def covers(self, true: float) -> bool:
        """Whether the k = 2 interval holds this value."""
        return self.low <= true <= self.high

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same in another unit."""
        terms = tuple(Term(term.name, term.u * abs(factor)) for term in self.type_b)
        return Estimate(self.value * factor, unit, self.type_a * abs(factor), terms)


def widened(sd: float, dof: float) -> float:
    """A standard uncertainty from `dof` degrees of freedom, widened for their number."""
    if dof < LEAST_DOF:
        raise CommissionError(f"{dof:.0f} repeats beyond the first; at least {LEAST_DOF} are right")
    return sd * math.sqrt(dof / (dof - 2.0))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within +-half_width (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Likewise where its ends are less likely than its middle (JCGM 100, 4.3.9)."""
    return half_width / math.sqrt(6.0)


def kept(values: Floats, least: float = 0.0) -> NDArray[np.bool_]:
    """Which values lie within GATE_SD of the median; least: sd never taken as smaller."""
    off = np.abs(values - np.median(values))
    sd = max(MAD_TO_SD * float(np.median(off)), least)
    inside: NDArray[np.bool_] = off <= GATE_SD * sd
    return inside


def robust_mean(values: Floats, least_sd: float = 0.0) -> tuple[float, float, float]:
    """Mean, its standard uncertainty and the sd of one value, outliers left out."""
    good = values[kept(values, least_sd)]
    sd = float(good.std(ddof=1)) if good.size > 1 else math.inf
    return float(good.mean()), widened(sd / math.sqrt(good.size), good.size - 1), sd


def block_mean(values: Floats, block: int) -> tuple[Floats, Floats]:
    """Column means of N x K data and their standard uncertainties, from means of blocks.

    Means of blocks much longer than what correlates (an engine's turn) scatter as white noise.
    """
    count = len(values) // block
    widened(1.0, count - 1)
    means = values[: count * block].reshape(count, block, -1).mean(axis=1)
    sem = means.std(axis=0, ddof=1) / math.sqrt(count)
    return means.mean(axis=0), sem * widened(1.0, count - 1)
