"""Both ends' errors over the last 20 s, to a stated scale, with the dead band.

Time runs to the right, now at the right edge; up is too high. The left end is a solid line, the
right end a dotted one, and their names stand at the newest point.
"""

from __future__ import annotations

from collections.abc import Iterable

from firmware_py.messages import Side
from tui.canvas import DASHED, DOTS_ACROSS, DOTS_DOWN, DOTTED, SOLID, Canvas, Ink, Rect
from tui.drive_scale import Steps, in_words
from tui.drive_words import Seen
from tui.known import HISTORY_S, Errors
from tui.units import HEIGHT

LABEL = 8  # columns of the height labels
LEAST_STEP_M = 0.9e-3  # m a row
NAMES = {Side.LEFT: "L", Side.RIGHT: "R"}
INKS = {Side.LEFT: Ink.LEFT, Side.RIGHT: Ink.RIGHT}
DASHES = {Side.LEFT: SOLID, Side.RIGHT: (1, 2)}
GAP_S = 0.5  # s between two points that are not joined


class ErrorsPlot:
    """Paints the plot; keeps its scale."""

    def __init__(self) -> None:
        self.steps = Steps(LEAST_STEP_M)

    def paint(self, canvas: Canvas, rect: Rect, seen: Seen) -> None:
        """One row of title, the plot, one row with the scale."""
        tick = seen.known.tick
        if tick is None or rect.height < 4:
            return
        drawing = Rect(rect.x + LABEL, rect.y + 1, rect.width - LABEL - 2, rect.height - 2)
        values = [abs(v) for e in seen.known.errors for v in e[1:] if v is not None]
        half = drawing.height / 2 - 0.25
        kind = HEIGHT[seen.units.system]
        most = max([*values, tick.dead_band_m * 1.5])
        row_m = self.steps.choose(most, half, kind.one)
        room = Rect(rect.x + 1, rect.y, rect.width - 1, 1)
        span = f"last {HISTORY_S:.0f} s"
        titles = [
            f"errors, {span} (up is too high): L left solid, R right dotted",
            f"errors, {span}: L left solid, R right dotted",
            f"errors, {span}: L solid, R dotted",
        ]
        canvas.fitting(room, titles, Ink.FAINT)
        self._axis(canvas, drawing, row_m, tick.dead_band_m, seen)
        for side in Side:
            self._curve(canvas, drawing, row_m, side, seen)
        band = seen.units.height(tick.dead_band_m)
        words = f"1 row {in_words(row_m, kind)}; - - dead band ±{band}"
        canvas.text(rect.x + 1, rect.y + rect.height - 1, words, Ink.FAINT, rect.width - 1)

    def _axis(
        self, canvas: Canvas, rect: Rect, row_m: float, band_m: float, seen: Seen
    ) -> None:  # fmt: skip
        first = rect.x * DOTS_ACROSS
        last = first + rect.width * DOTS_ACROSS - 1
        for height, ink, dash in (
            (0.0, Ink.FAINT, DOTTED),
            (band_m, Ink.TARGET, DASHED),
            (-band_m, Ink.TARGET, DASHED),
        ):
            row = dot_row(height, rect, row_m)
            canvas.line((first, row), (last, row), ink, dash)
        top = (rect.height * DOTS_DOWN - 1) / 2 / DOTS_DOWN * row_m
        for height in (top, 0.0, -top) if rect.height >= 3 else (top, -top):
            words = seen.units.height_number(height, signed=True)
            y = dot_row(height, rect, row_m) // DOTS_DOWN
            canvas.right(rect.x - 1, y, words, Ink.FAINT)

    def _curve(
        self, canvas: Canvas, rect: Rect, row_m: float, side: Side, seen: Seen
    ) -> None:  # fmt: skip
        values = ((e.time_s, _of(e, side)) for e in seen.known.errors)
        dots = plot_dots(values, rect, row_m, seen.now_s)
        canvas.curve(dots, INKS[side], DASHES[side])
        newest = next((dot for dot in reversed(dots) if dot is not None), None)
        if newest is not None:
            x = rect.x + rect.width + (1 if side is Side.RIGHT else 0)
            canvas.text(x, newest[1] // DOTS_DOWN, NAMES[side], INKS[side])


def _of(errors: Errors, side: Side) -> float | None:
    return errors.left_m if side is Side.LEFT else errors.right_m


def dot_row(height_m: float, rect: Rect, row_m: float) -> int:
    """Dot down of a height, kept within the plot; 0 lies in its middle."""
    dots = rect.height * DOTS_DOWN
    down = round((dots - 1) / 2 - height_m / row_m * DOTS_DOWN)
    return rect.y * DOTS_DOWN + min(max(down, 0), dots - 1)


def plot_dots(
    values: Iterable[tuple[float, float | None]], rect: Rect, row_m: float, now_s: float
) -> list[tuple[int, int] | None]:
    """Times and heights as dots, oldest first; None where a height is not known or time passed."""
    last = rect.width * DOTS_ACROSS - 1
    dots: list[tuple[int, int] | None] = []
    before = None
    for time_s, height in values:
        if before is not None and time_s - before > GAP_S:
            dots.append(None)
        before = time_s
        back = round((now_s - time_s) / HISTORY_S * last)
        if height is None or not 0 <= back <= last:
            dots.append(None)
            continue
        dot = rect.x * DOTS_ACROSS + last - back, dot_row(height, rect, row_m)
        if not dots or dots[-1] != dot:
            dots.append(dot)
    return dots
