"""What a trial is scored by: pure functions over arrays of one value a tick. SI units in and out.

`weight` is the forward travel of each tick (m): so every metre counts alike, and a tick standing
or reversing, in which nothing is graded, counts nothing. NaN values are left out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ORDER = 30  # past values that predict: 0.3 s at 100 Hz
LEAST_ROWS = 10  # a row for each unknown, at least


def forward_travel(travelled: Floats, run_in_m: float) -> Floats:
    """Metres driven forward in each tick; 0 until the run-in is done."""
    step = np.diff(travelled, prepend=travelled[:1])
    furthest = np.maximum.accumulate(travelled)
    return np.where(furthest > run_in_m, np.maximum(step, 0.0), 0.0)


def mean(values: Floats, weight: Floats) -> float:
    """Weighted mean; NaN when nothing counts."""
    known = np.isfinite(values)
    total = float(weight[known].sum())
    return float((values[known] * weight[known]).sum() / total) if total > 0.0 else float("nan")


def rms(values: Floats, weight: Floats) -> float:
    """Weighted root mean square, about zero."""
    return float(np.sqrt(mean(values * values, weight)))


def spread(values: Floats, weight: Floats) -> float:
    """Weighted root mean square about the mean."""
    return rms(values - mean(values, weight), weight)


def percentile(values: Floats, weight: Floats, share: float) -> float:
    """The size |value| that this share of the metres stays within."""
    known = np.isfinite(values) & (weight > 0.0)
    if not known.any():
        return float("nan")
    sizes, weights = np.abs(values[known]), weight[known]
    order = np.argsort(sizes)
    reached = np.cumsum(weights[order])
    at = int(np.searchsorted(reached, share * reached[-1]))
    return float(sizes[order][min(at, sizes.size - 1)])


def largest(values: Floats, weight: Floats) -> float:
    """The largest |value| in a metre that counts."""
    return percentile(values, weight, 1.0)


def share(mask: Bools, weight: Floats) -> float:
    """Share of the metres in which something holds, 0..1."""
    return mean(mask.astype(np.float64), weight)


def reversals(oil: Floats) -> int:
    """How often the oil changes its direction (-1, 0 or 1 a tick); a pause between counts not."""
    flowing = oil[oil != 0.0]
    return int(np.count_nonzero(np.diff(flowing)))


def episodes(mask: Bools, least: int) -> int:
    """How often something holds for at least so many ticks in a row."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    lengths = np.flatnonzero(edges < 0) - np.flatnonzero(edges > 0)
    return int(np.count_nonzero(lengths >= least))


def loop_health(error: Floats, dead_ticks: int, order: int = ORDER) -> float:
    """I = (minimum variance) / (variance) of a control error: 1 is the limit, 0 is far from it.

    The minimum variance is what `order` past values cannot predict dead_ticks ahead (least
    squares): no controller behind that dead time can take it away. Harris, Can. J. Chem. Eng. 67
    (1989) 856; direct form of Desborough and Harris 1992. About the mean. NaN when too short.
    """
    rows = error.size - order - dead_ticks + 1
    if dead_ticks < 1 or rows < LEAST_ROWS * order or not np.isfinite(error).all():
        return float("nan")
    y = error - error.mean()
    variance = float(np.mean(y * y))
    if variance == 0.0:
        return float("nan")
    past = np.lib.stride_tricks.sliding_window_view(y, order)[:rows]
    ahead = y[order - 1 + dead_ticks :]
    weights = np.linalg.lstsq(past, ahead, rcond=None)[0]
    left = ahead - past @ weights
    return float(np.mean(left * left)) / variance


def excursion(
    gap: Floats, chainage: Floats, zones: Sequence[tuple[float, float]], before_m: float
) -> Floats:
    """For each zone the largest |gap - what it was before|, m; NaN if not driven through or seen.

    gap: estimated less true height, so that only what the object does to the estimate counts;
    "before": its mean over the before_m that are driven before the zone begins.
    """
    along = np.maximum.accumulate(chainage)
    found = np.full(len(zones), np.nan)
    for at, (start, end) in enumerate(zones):
        lead, first, last = np.searchsorted(along, (start - before_m, start, end))
        inside, base = gap[first:last], gap[lead:first]
        whole = lead > 0 and last < along.size
        if whole and np.isfinite(inside).any() and np.isfinite(base).any():
            found[at] = float(np.nanmax(np.abs(inside - np.nanmean(base))))
    return found
