"""What a list of stations adds up to. Every station counts alike; NaN is left out. SI units.

Conformity under uncertainty is told as JCGM 106:2012 has it: within the tolerance by the best
estimate, and apart from that surely within, surely beyond, or neither, at k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.columns import Bools, Floats
from firmware_py.commission.estimate import K

LEAST_M = 0.25  # a shorter stretch is one station's chance


@dataclass(frozen=True)
class Figures:
    """Of one error along the job, in its own unit; shares 0..1 of the known stations.

    half_width: mean of the k = 2 intervals. worst and its place: the largest |error|. expected_*:
    of the edge itself, with the doubt of its errors: what is believed is quieter than what is.
    """

    known: int
    stations: int
    tolerance: float
    within: float
    surely_within: float
    surely_beyond: float
    mean: float
    rms: float
    p95: float
    worst: float
    worst_at: float
    half_width: float
    expected_within: float
    expected_rms: float


def figures(at: Floats, error: Floats, u: Floats, tolerance: float) -> Figures:
    """The figures of one error; all NaN but the counts where nothing is known."""
    good = np.isfinite(error)
    if not good.any():
        return Figures(0, int(error.size), tolerance, *[math.nan] * 11)
    e, doubt, x = error[good], K * u[good], at[good]
    size = np.abs(e)
    worst = int(np.argmax(size))
    return Figures(
        int(good.sum()), int(error.size), tolerance, share(size <= tolerance),
        share(size + doubt <= tolerance), share(size - doubt > tolerance),
        float(e.mean()), math.sqrt(float(np.mean(e * e))),
        float(np.quantile(size, 0.95)), float(e[worst]), float(x[worst]),
        float(np.nanmean(doubt)), expected_within(e, u[good], tolerance),
        math.sqrt(float(np.mean(e * e + u[good] ** 2))),
    )  # fmt: skip


def expected_within(error: Floats, u: Floats, tolerance: float) -> float:
    """Mean probability that the true error is within the tolerance (JCGM 106:2012, 7.1.2).

    Taking each true error as normal about the estimate with standard uncertainty u > 0.
    """
    scale = np.sqrt(2.0) * u
    inside = 0.5 * (_erf((tolerance - error) / scale) - _erf((-tolerance - error) / scale))
    return float(inside.mean())


_erf = np.vectorize(math.erf, otypes=[np.float64])


def share(mask: Bools) -> float:
    """Share of the stations, 0..1."""
    return float(np.count_nonzero(mask)) / mask.size if mask.size else math.nan


@dataclass(frozen=True)
class Stretch:
    """From and to (m), the largest |error| inside (its own sign) and its k = 2 half width."""

    start: float
    end: float
    most: float
    half_width: float


def beyond(
    at: Floats, error: Floats, u: Floats, limit: float, *, step: float, sign: int
) -> Iterator[Stretch]:
    """Stretches in which sign * error is above a limit, at least LEAST_M long."""
    over = np.nan_to_num(sign * error, nan=-np.inf) > limit
    for first, last in runs(over, at, step):
        rows = slice(first, last + 1)
        if at[last] - at[first] + step < LEAST_M:
            continue
        most = first + int(np.argmax(sign * error[rows]))
        yield Stretch(
            float(at[first] - step / 2), float(at[last] + step / 2), float(error[most]),
            float(K * u[most]),
        )  # fmt: skip


def runs(mask: Bools, at: Floats, step: float) -> Iterator[tuple[int, int]]:
    """First and last row of each run of True; a hole in the chainage ends one."""
    begin: int | None = None
    for row in range(mask.size):
        apart = row > 0 and at[row] - at[row - 1] > 1.5 * step
        if begin is not None and (apart or not mask[row]):
            yield begin, row - 1
            begin = None
        if mask[row] and begin is None:
            begin = row
    if begin is not None:
        yield begin, mask.size - 1


def unknown(at: Floats, error: Floats, step: float) -> Iterator[tuple[float, float]]:
    """Stretches between the first and the last station of which nothing is known, m."""
    known = at[np.isfinite(error)]
    if not known.size:
        return
    ends = np.concatenate(([at[0] - step], known, [at[-1] + step]))
    for left, right in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        if right - left > 1.5 * step:
            yield left + step / 2, right - step / 2
