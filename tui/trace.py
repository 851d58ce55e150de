"""The steering trace: where the reference has run under the bar, to a stated scale.

Across is lateral, left > 0 on the left, the bar's middle in the middle. The bar is at the top,
where the machine is now; what it has passed lies below, older further down.
"""

from __future__ import annotations

from firmware_py.link.frames import BarInfo, Hello
from firmware_py.messages import Guide
from tui.canvas import DOTS_ACROSS, DOTS_DOWN, DOTTED, Canvas, Ink, Rect
from tui.drive_scale import Steps, in_words
from tui.drive_words import Seen, marked, steer, unseen_s
from tui.known import TRACE_M, Spot
from tui.units import DISTANCE, HEIGHT

LEAST_STEP_M = 0.9e-3  # m a column
AROUND = 1.25  # of the bar's half length: the least that is shown to either side
NO_BAR_M = 0.2  # m to either side when there is no bar across


def master_bar(hello: Hello | None) -> BarInfo | None:
    """The bar that is steered by."""
    if hello is None:
        return None
    return next((bar for bar in hello.bars if bar.end is hello.master), None)


class Trace:
    """Paints the trace; keeps its scales."""

    def __init__(self) -> None:
        self.across = Steps(LEAST_STEP_M)
        self.along = Steps(0.1)

    def paint(self, canvas: Canvas, rect: Rect, seen: Seen) -> None:
        """One row of words, one with the bar, the trace, one row with the scale."""
        tick = seen.known.tick
        if tick is None or rect.height < 4:
            return
        self._words(canvas, rect, seen)
        info = master_bar(seen.known.hello)
        half = 0.0 if info is None or info.turned else max(map(abs, info.positions_m), default=0.0)
        drawing = Rect(rect.x, rect.y + 2, rect.width, rect.height - 3)
        laterals = [abs(s.lateral_m) for s in seen.known.trace if s.lateral_m is not None]
        most = max([*laterals, half * AROUND or NO_BAR_M])
        column_m = self.across.choose(most, rect.width / 2 - 1, HEIGHT[seen.units.system].one)
        row_m = self.along.choose(TRACE_M, drawing.height, DISTANCE[seen.units.system].one)
        canvas.text(rect.x, rect.y + 1, bar_row(rect.width, half, column_m), Ink.FAINT)
        middle = (rect.x + rect.width // 2) * DOTS_ACROSS
        top = drawing.y * DOTS_DOWN
        canvas.line(
            (middle, top), (middle, top + drawing.height * DOTS_DOWN - 1), Ink.FAINT, DOTTED
        )
        points = trace_dots(list(seen.known.trace), drawing, column_m, row_m)
        canvas.curve(points, Ink.REFERENCE)
        if not any(points):
            master = seen.known.hello.master if seen.known.hello else None
            surface = master is not None and tick.end(master).guide is Guide.SURFACE
            words = "a surface has no lateral" if surface else "no reference has passed yet"
            canvas.middle(drawing, drawing.y + drawing.height // 2, words, Ink.FAINT)
        self._scale(canvas, rect, seen, (column_m, row_m))

    def _words(self, canvas: Canvas, rect: Rect, seen: Seen) -> None:
        tick, hello = seen.known.tick, seen.known.hello
        assert tick is not None
        age = seen.known.age_s(seen.now_s)
        bar_age = age + (unseen_s(seen.known, hello.master) if hello and tick.steer_m else 0.0)
        words = marked(steer(tick.steer_m, seen.units), bar_age)
        canvas.text(rect.x + 1, rect.y, words, Ink.STRONG, rect.width - 1)

    def _scale(
        self, canvas: Canvas, rect: Rect, seen: Seen, steps: tuple[float, float]
    ) -> None:  # fmt: skip
        across = in_words(steps[0], HEIGHT[seen.units.system])
        along = in_words(steps[1], DISTANCE[seen.units.system])
        choices = [
            f"bar now on top, older below; 1 column {across}, 1 row {along}",
            f"now on top; 1 column {across}, 1 row {along}",
            f"now on top, column {across}, row {along}",
            f"column {across}, row {along}",
        ]
        room = Rect(rect.x + 1, rect.y + rect.height - 1, rect.width - 2, 1)
        canvas.fitting(room, choices, Ink.FAINT)


def bar_row(width: int, half_m: float, column_m: float) -> str:
    """The bar from its left to its right end, its middle marked, in a row of so many columns."""
    middle, reach = width // 2, round(half_m / column_m)
    cells = [" "] * width
    if reach == 0:
        cells[middle] = "┬"
        return "".join(cells)
    for x in range(max(middle - reach, 0), min(middle + reach, width - 1) + 1):
        cells[x] = "─"
    for x, sign in ((middle - reach, "├"), (middle, "┬"), (middle + reach, "┤")):
        if 0 <= x < width:
            cells[x] = sign
    return "".join(cells)


def trace_dots(
    spots: list[Spot], rect: Rect, column_m: float, row_m: float
) -> list[tuple[int, int] | None]:
    """The spots as dots of the canvas, newest first; None where nothing was seen."""
    if not spots:
        return []
    newest = spots[-1].way_m
    middle = (rect.x + rect.width // 2) * DOTS_ACROSS
    lowest = rect.height * DOTS_DOWN - 1
    dots: list[tuple[int, int] | None] = []
    for spot in reversed(spots):
        down = round(abs(newest - spot.way_m) / row_m * DOTS_DOWN)
        if down > lowest:
            break
        if spot.lateral_m is None:
            dots.append(None)
            continue
        dot = middle - round(spot.lateral_m / column_m * DOTS_ACROSS), rect.y * DOTS_DOWN + down
        if not dots or dots[-1] != dot:
            dots.append(dot)
    return dots
