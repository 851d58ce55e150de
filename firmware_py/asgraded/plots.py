"""The report's pictures as SVG, on Figures of their own: no window system, no global state.

The same stations give the same bytes: a fixed salt for ids, no date, text as outlines. Colours of
Okabe and Ito (2008), told apart by line style as well.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from firmware_py.asgraded.build import Built
from firmware_py.asgraded.columns import Floats
from firmware_py.asgraded.facts import laid
from firmware_py.asgraded.happenings import Span
from firmware_py.asgraded.obstacles import places
from firmware_py.commission.estimate import K
from firmware_py.messages import SIDES, Side

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLUE, VERMILLION, GREEN, BLACK, GREY = "#0072B2", "#D55E00", "#009E73", "#000000", "#6b6b6b"
ENDS = {Side.LEFT: (BLUE, "-"), Side.RIGHT: (VERMILLION, "--")}
SIZE_IN = (9.0, 3.0)
POINTS = 2000  # drawn at most: more than a sheet's width has dots
LEAST_MM, LEAST_PCT = 8.0, 0.4  # half height of an axis, so that little looks little
ROOM = 1.5  # of the axis above its middle, for the legend


def _draw(*paints: Callable[[Axes], None], height: float = SIZE_IN[1]) -> bytes:
    """One figure as SVG: a panel for each painter, above each other."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": "linehold", "svg.fonttype": "path"}):
        figure = Figure(figsize=(SIZE_IN[0], height), layout="constrained")
        panels = figure.subplots(len(paints), 1, sharex=True, squeeze=False)
        for paint, axes in zip(paints, panels[:, 0], strict=True):
            paint(axes)
            axes.label_outer()
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _left_out(built: Built, axes: Axes) -> None:
    """Hatched: listed obstacles, which the figures leave out."""
    for at, one in enumerate(places(built)):
        label = "" if at else "listed obstacle, left out"
        axes.axvspan(one.start, one.end, facecolor="none", edgecolor=GREY, hatch="///", lw=0,
                     label=label)  # fmt: skip


class _View:
    """The stations as they are drawn: a gap where one is missing, extremes kept when thinned."""

    def __init__(self, built: Built) -> None:
        at = built.stations.chainage
        apart = np.flatnonzero(np.diff(at) > 1.5 * built.step) + 1
        self._holes = apart
        self.x = np.insert(at, apart, np.nan)
        self.label = "time since the log's start, s" if built.by_time else "chainage, m"
        self.limits = float(at[0] - built.step), float(at[-1] + built.step)

    def of(self, values: Floats) -> Floats:
        """With a NaN in each hole, so that no line crosses it."""
        return np.insert(values, self._holes, np.nan)

    def band(self, axes: Axes, middle: Floats, u: Floats, colour: str) -> None:
        """The k = 2 interval."""
        every = max(1, middle.size // POINTS)
        x, y, half = self.x[::every], self.of(middle)[::every], K * self.of(u)[::every]
        axes.fill_between(x, y - half, y + half, color=colour, alpha=0.18, lw=0)

    def line(self, axes: Axes, y: Floats, colour: str, style: str, label: str) -> None:
        """A line; thinned, each bin keeps its largest |value|."""
        values = self.of(y)
        x, thin = _thinned(self.x, values)
        axes.plot(x, thin, style, color=colour, lw=1.2, label=label)


def _thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    every = -(-x.size // POINTS)
    if every <= 1:
        return x, y
    pad = -x.size % every
    xs = np.append(x, np.full(pad, np.nan)).reshape(-1, every)
    ys = np.append(y, np.full(pad, np.nan)).reshape(-1, every)
    size = np.where(np.isfinite(ys), np.abs(ys), -1.0)
    at = np.argmax(size, axis=1)
    rows = np.arange(at.size)
    return xs[rows, at], ys[rows, at]


def _finish(axes: Axes, view: _View, y_label: str) -> None:
    axes.set_xlim(*view.limits)
    axes.set_xlabel(view.label)
    axes.set_ylabel(y_label)
    axes.grid(True, color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)


def heights(built: Built) -> bytes:
    """Height error of each end with its k = 2 band and the tolerance, to one scale."""
    view, rows, tol = _View(built), built.stations, 1e3 * built.tolerance
    most = max(LEAST_MM, *(_reach(1e3 * rows.error(s), 1e3 * rows.u(s)) for s in SIDES))

    def paint(side: Side, axes: Axes) -> None:
        colour, style = ENDS[side]
        axes.axhspan(-tol, tol, color=GREEN, alpha=0.12, lw=0, label=f"tolerance ±{tol:g} mm")
        axes.axhline(0.0, color=BLACK, lw=0.8)
        _left_out(built, axes)
        error, u = 1e3 * rows.error(side), 1e3 * rows.u(side)
        view.band(axes, error, u, colour)
        view.line(axes, error, colour, style, f"{side.value} end, band k = 2")
        axes.set_ylim(-most, ROOM * most)
        axes.legend(loc="upper left", fontsize=8, ncols=2, framealpha=0.9)
        _finish(axes, view, "height error, mm\n(above 0: too high)")

    return _draw(*(partial(paint, side) for side in SIDES), height=1.7 * SIZE_IN[1])


def crossfall(built: Built) -> bytes:
    """Error of the crossfall with its k = 2 band."""
    view, rows, tol = _View(built), built.stations, 100.0 * built.crossfall_tolerance

    def paint(axes: Axes) -> None:
        axes.axhspan(-tol, tol, color=GREEN, alpha=0.12, lw=0, label=f"tolerance ±{tol:g} %")
        axes.axhline(0.0, color=BLACK, lw=0.8)
        _left_out(built, axes)
        error, u = 100.0 * rows.crossfall, 100.0 * rows.crossfall_u
        view.band(axes, error, u, BLUE)
        view.line(axes, error, BLUE, "-", "crossfall, band k = 2")
        most = max(LEAST_PCT, _reach(error, u))
        axes.set_ylim(-most, ROOM * most)
        axes.legend(loc="upper left", fontsize=8, ncols=2, framealpha=0.9)
        _finish(axes, view, "crossfall error, %\n(above 0: falls more to the right)")

    return _draw(paint)


def _reach(error: Floats, u: Floats) -> float:
    far = np.abs(error) + K * np.nan_to_num(u, nan=0.0)
    known = far[np.isfinite(far)]
    return 1.05 * float(np.quantile(known, 0.999)) if known.size else 0.0


def straightedge(built: Built) -> bytes:
    """Deviation under each place of the straightedge."""
    view = _View(built)

    def paint(axes: Axes) -> None:
        most = 1.0
        for side, (colour, style) in ENDS.items():
            found = laid(built, side)
            if found.deviation.size:
                x, y = _with_holes(found.middle, 1e3 * found.deviation, 1.5 * built.step)
                axes.plot(*_thinned(x, y), style, color=colour, lw=1.2, label=f"{side.value} end")
                most = max(most, float(1e3 * found.deviation.max()))
        axes.set_ylim(0.0, 1.35 * most)
        axes.legend(loc="upper left", fontsize=8, ncols=2, framealpha=0.9)
        _finish(axes, view, "largest gap under the\n3 m straightedge, mm")

    return _draw(paint)


def _with_holes(x: Floats, y: Floats, apart: float) -> tuple[Floats, Floats]:
    holes = np.flatnonzero(np.diff(x) > apart) + 1
    return np.insert(x, holes, np.nan), np.insert(y, holes, np.nan)


def strip(built: Built, rows: Sequence[tuple[str, Sequence[Span]]]) -> bytes:
    """What happened where: one row a kind, a bar for each span."""
    view = _View(built)

    def paint(axes: Axes) -> None:
        for at, (_, spans) in enumerate(rows):
            low, high = view.limits
            least = 0.004 * (high - low)  # so that a short one is still seen
            for one in spans:
                start, end = (one.start_s, one.start_s + one.seconds) if built.by_time else (
                    one.start, one.end)  # fmt: skip
                axes.broken_barh([(start, max(end - start, least))], (at - 0.3, 0.6),
                                 facecolor=GREY, edgecolor=BLACK, lw=0.5)  # fmt: skip
            if not spans:
                axes.text(low + 0.01 * (high - low), at, "none", va="center", fontsize=8,
                          color=GREY)  # fmt: skip
        axes.set_yticks(range(len(rows)), [name for name, _ in rows])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        _finish(axes, view, "")

    return _draw(paint, height=0.7 + 0.3 * len(rows))
