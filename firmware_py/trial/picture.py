"""One picture of a trial: what was graded against its target, along the job.

Colours of Okabe and Ito (2008), told apart by line style as well. Drawn on a Figure of its own,
so that no window system and no global state is needed.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from firmware_py.messages import Side
from firmware_py.settings import MM
from firmware_py.trial.result import NOTE, Result
from firmware_py.trial.scenario import RUN_IN_M
from firmware_py.trial.score import Bools, Floats
from firmware_py.trial.series import Series

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLUE, VERMILLION, GREEN, ORANGE, BLACK, GREY = (
    "#0072B2", "#D55E00", "#009E73", "#E69F00", "#000000", "#6b6b6b",
)  # fmt: skip
ENDS = {Side.LEFT: (BLUE, "-"), Side.RIGHT: (VERMILLION, "--")}
MARKS = {"pin": ("v", BLACK), "windrow": ("s", ORANGE), "stone": ("o", ORANGE)}
POINTS = 3000  # drawn at most: three to a pixel
SIZE_IN, DPI = (11.0, 8.5), 120
LEAST_MM, LEAST_PCT, LEAST_CM = 6.0, 0.3, 3.0  # half height of an axis, so that little looks little
ROOM = 1.45  # of the axis above its middle, so that the legend hides no curve
LEAST_SHOWN_M = 0.05  # a shorter stretch, such as before the first metre, is not marked
SHOWN = 0.998  # share of the curve that the height axis is made for: a hand's move may leave it


def save_picture(result: Result, path: Path) -> None:
    """Draw the result into a PNG file."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_IN, dpi=DPI, layout="constrained")
    top, middle, bottom = figure.subplots(3, 1, sharex=True, height_ratios=[3.0, 1.7, 1.7])
    view = _View(result.series)
    _heights(top, result, view)
    _crossfall(middle, result, view)
    _steering(bottom, result, view)
    for axes in (top, middle, bottom):
        _frame(axes, result, view, named=axes is top)
    bottom.set_xlabel("chainage along the job, m")
    if result.scenario.direction == "against":
        top.invert_xaxis()
    figure.suptitle(_title(result), fontsize=12, fontweight="bold")
    figure.supxlabel(f"{NOTE}. {result.scenario.words}", fontsize=8.5, color=GREY)
    figure.savefig(path)


class _View:
    """The rows that are drawn: those driven forward, thinned; a gap where the machine backed."""

    def __init__(self, series: Series) -> None:
        step = np.diff(series.travelled, prepend=series.travelled[:1])
        last = series.time >= series.from_s  # of several passes the last one is drawn
        rows = np.flatnonzero((step > 0.0) & last)
        self.rows = rows[:: max(1, rows.size // POINTS)]
        self.x = series.chainage[self.rows]
        apart = np.diff(self.rows, prepend=self.rows[:1])
        self.breaks = apart > 40 * max(1, rows.size // POINTS)

    def of(self, values: Floats) -> Floats:
        shown = values[self.rows].copy()
        shown[self.breaks] = np.nan
        return shown


def _title(result: Result) -> str:
    s = result.summary
    what = "Linehold" if s["controller"] == "linehold" else "the plain loop, for comparison"
    return f"{s['scenario']}: the cutting edge against its target, led by {what} (seed {s['seed']})"


def _heights(axes: Axes, result: Result, view: _View) -> None:
    series, summary = result.series, result.summary
    dead = result.rig.control.dead_band_mm
    axes.axhspan(-dead, dead, color=GREEN, alpha=0.16, lw=0, label=f"dead band ±{dead:g} mm")
    axes.axhline(0.0, color=BLACK, lw=0.8)
    most = LEAST_MM
    for side, (colour, style) in ENDS.items():
        error = view.of(series.error[side]) / MM
        end = summary["ends"][side.value]
        rms = end["height_rms_mm"]
        told = "nothing scored" if rms is None else f"{rms:.1f} mm rms"
        label = f"{side.value} end ({end['guide']}): {told}"
        axes.plot(view.x, error, style, color=colour, lw=1.1, label=label)
        known = np.abs(error[np.isfinite(error)])
        most = max(most, 1.25 * float(np.quantile(known, SHOWN))) if known.size else most
        if summary["soil"] is not None:
            behind = view.of(series.graded[side]) / MM
            axes.plot(view.x, behind, ":", color=colour, lw=1.0, label=f"surface behind, {side}")
    axes.set_ylim(-most, ROOM * most)
    _marks(axes, result, view, -most)
    axes.set_ylabel("height error, mm\n(above 0: too high)")
    axes.set_title("Height of both blade ends against their target", loc="left", fontsize=10)


def _marks(axes: Axes, result: Result, view: _View, low: float) -> None:
    """A row of small marks at the foot: where pins, windrows and stones stand."""
    series, scored = result.series, result.summary["disturbances"]
    beside = None if series.guided is None else result.scenario.beside(series.guided)
    if not view.x.size:
        return  # nothing was driven
    first, last = float(view.x.min()), float(view.x.max())
    for row, (what, (marker, colour)) in enumerate(MARKS.items()):
        if what == "pin" and (beside is None or not beside.pins):
            continue
        middle = [0.5 * (zone.start_m + zone.end_m) for zone in series.zones if zone.what == what]
        at = [x for x in middle if first <= x <= last]
        if at:
            height = low * (0.95 - 0.05 * (row % 2))
            axes.plot(at, [height] * len(at), marker, color=colour, ms=4, ls="none",
                      label=f"{what} ({scored.get(what, 0)} scored)")  # fmt: skip


def _crossfall(axes: Axes, result: Result, view: _View) -> None:
    series, summary = result.series, result.summary
    actual = 100.0 * view.of(series.crossfall)
    target = 100.0 * view.of(series.crossfall_target)
    rms = summary["crossfall_rms_pct"]
    label = "actual" if rms is None else f"actual: {rms:.2f} % rms off"
    axes.plot(view.x, actual, "-", color=BLUE, lw=1.1, label=label)
    axes.plot(view.x, target, "--", color=BLACK, lw=1.0, label="target")
    off = np.abs(actual - target)
    off = off[np.isfinite(off)]
    most = max(LEAST_PCT, 1.25 * float(np.quantile(off, SHOWN)) if off.size else 0.0)
    shown = target[np.isfinite(target)]
    if shown.size:
        axes.set_ylim(float(shown.min()) - most, float(shown.max()) + 2.0 * most)
    axes.set_ylabel("crossfall, %\n(above 0: falls right)")
    axes.set_title("Crossfall of the cutting edge", loc="left", fontsize=10)


def _steering(axes: Axes, result: Result, view: _View) -> None:
    series = result.series
    true = 100.0 * view.of(series.lateral)
    seen = 100.0 * view.of(series.lateral + series.lateral_gap)
    axes.axhline(0.0, color=BLACK, lw=0.8)
    axes.plot(view.x, true, "-", color=BLUE, lw=1.1, label="where it was")
    if np.isfinite(seen).any():
        axes.plot(view.x, seen, ":", color=VERMILLION, lw=1.4, label="where the cue had it")
    known = np.abs(true[np.isfinite(true)])
    most = max(LEAST_CM, 1.2 * float(known.max()) if known.size else 0.0)
    axes.set_ylim(-most, 2.0 * most)
    master = result.rig.control.master.value
    axes.set_ylabel("lateral, cm\n(above 0: to the left)")
    axes.set_title(f"Where the reference ran under the {master} bar", loc="left", fontsize=10)


def _frame(axes: Axes, result: Result, view: _View, *, named: bool) -> None:
    """What all panels share: grid, legend, the run-in and the stretches that were not automatic.

    Only the top one names them.
    """
    series = result.series
    axes.grid(True, color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    for mask, hatch, words in (
        (series.travelled < RUN_IN_M, "..", "run-in, not scored"),
        (series.held, "///", "held"),
        (series.by_hand, "xxx", "by hand"),
    ):
        for first, last in _stretches(mask[view.rows]):
            start, end = view.x[first], view.x[last]
            if abs(end - start) > LEAST_SHOWN_M:
                axes.axvspan(start, end, facecolor="none", edgecolor="#b0b0b0", hatch=hatch,
                             lw=0, label=words if named else None)  # fmt: skip
    for x in view.x[view.breaks]:
        axes.axvline(x, color=GREY, ls="-.", lw=0.9, label="stopped or backed" if named else None)
    handles, labels = axes.get_legend_handles_labels()
    once = dict(zip(labels, handles, strict=True))
    axes.legend(once.values(), once.keys(), loc="upper right", fontsize=8, ncols=4, framealpha=0.9)
    axes.margins(x=0.01)


def _stretches(mask: Bools) -> list[tuple[int, int]]:
    """First and last row of each run of True."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0) - 1
    return [(int(a), int(b)) for a, b in zip(starts, ends, strict=True)]
