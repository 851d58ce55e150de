"""What the blade left behind, apart from where its edge was: spots by chainage, passes, soil."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from drivers.simulated.truth import Soil
from firmware_py.messages import Side, Tick
from firmware_py.settings import MM
from firmware_py.trial import score
from firmware_py.trial.score import Bools
from firmware_py.trial.scorer import Scorer
from firmware_py.trial.series import Series

OFF_M = 0.010  # m off the job's target: a hollow or a hump that a straightedge would find
LEAST_M = 0.25  # m along the job; shorter is a footprint
JOIN_M = 0.5  # m; spots nearer to each other are one


def spots(series: Series, side: Side, *, low: bool) -> list[dict[str, float]]:
    """Stretches of an end's surface that lie too low (or too high), by rising chainage."""
    rows = np.flatnonzero(series.weight > 0.0)
    rows = rows[np.argsort(series.chainage[rows], kind="stable")]
    at, height = series.chainage[rows], series.graded[side][rows]
    off = height < -OFF_M if low else height > OFF_M
    found: list[dict[str, float]] = []
    for first, last in _joined(off, at):
        part = height[first : last + 1]
        found.append({
            "from_m": float(at[first]), "to_m": float(at[last]),
            "most_mm": float(-part.min() if low else part.max()) / MM,
        })  # fmt: skip
    return found


def _joined(off: Bools, at: score.Floats) -> list[tuple[int, int]]:
    """First and last row of each stretch, near ones joined, short ones left out."""
    edges = np.diff(np.concatenate(([0], off.astype(np.int8), [0])))
    runs = list(zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0) - 1, strict=True))
    out: list[tuple[int, int]] = []
    for first, last in runs:
        if out and at[first] - at[out[-1][1]] < JOIN_M:
            out[-1] = (out[-1][0], int(last))
        else:
            out.append((int(first), int(last)))
    return [(a, b) for a, b in out if at[b] - at[a] >= LEAST_M]


def passes(series: Series, ticks: Sequence[Tick], passes_s: Sequence[float]) -> list[Any]:
    """One object a pass: metres, how far the edge was kept up, what the surface then was."""
    if len(passes_s) < 2:
        return []
    out = []
    step = np.maximum(np.diff(series.travelled, prepend=series.travelled[:1]), 0.0)
    for number, began in enumerate(passes_s):
        until = passes_s[number + 1] if number + 1 < len(passes_s) else np.inf
        mine = (series.time >= began) & (series.time < until) & series.automatic
        weight = np.where(mine, step, 0.0)
        out.append({
            "distance_m": float(weight.sum()),
            "kept_up_mm": score.mean(series.raised, weight) / MM,
            "left_over_mm": score.mean(series.graded[Side.LEFT], weight) / MM,
            "right_over_mm": score.mean(series.graded[Side.RIGHT], weight) / MM,
            "edge_rms_mm": score.rms(series.reference_error, weight) / MM,
        })  # fmt: skip
    return out


def soil(scorer: Scorer) -> dict[str, float] | None:
    """What became of the soil, m3; None where the ground does not stay as it is left."""
    last: Soil | None = scorer.truths[-1].soil if scorer.truths else None
    return None if last is None else dict(last._asdict())


def spot_words(found: Sequence[dict[str, float]], what: str) -> list[str]:
    """'not filled, 14.0 to 16.2 m, 23 mm at most'."""
    return [
        f"{what}, {one['from_m']:.1f} to {one['to_m']:.1f} m, {one['most_mm']:.0f} mm at most"
        for one in found
    ]
