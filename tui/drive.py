"""The Drive pane: both ends, the cross-section, the steering trace, the last 20 s of errors."""

from __future__ import annotations

from typing import NamedTuple

from firmware_py.messages import Side
from tui import drive_ends, drive_job
from tui.canvas import Board, Canvas, Ink, Rect
from tui.drive_words import Seen, marked
from tui.errors_plot import ErrorsPlot
from tui.known import Known
from tui.section import Section
from tui.trace import Trace
from tui.units import Units

SECTION_SHARE = 0.5  # of the rows below the ends
TRACE_SHARE = 0.42  # of the columns below the section


class Parts(NamedTuple):
    """Where everything stands on the pane."""

    size: int
    left: Rect
    right: Rect
    fall: Rect
    job: Rect
    section: Rect
    trace: Rect
    plot: Rect


def parts(width: int, height: int, job_rows: int = 0) -> Parts:
    """The pane's layout at a size in cells; job_rows: what a job takes under the crossfall."""
    size = drive_ends.size_for(width, height)
    ends = drive_ends.rows_for(size)
    half = width // 2
    above = ends + 1 + job_rows
    rest = max(height - above, 0)
    section = max(round(rest * SECTION_SHARE), min(rest, 5))
    low = above + section
    across = round(width * TRACE_SHARE)
    return Parts(
        size,
        Rect(0, 0, half, ends),
        Rect(half, 0, width - half, ends),
        Rect(0, ends, width, 1),
        Rect(1, ends + 1, width - 1, job_rows),
        Rect(0, above, width, section),
        Rect(0, low, across, height - low),
        Rect(across + 1, low, width - across - 1, height - low),
    )


class DrivePainter:
    """Paints the pane on a canvas; keeps the scales."""

    def __init__(self) -> None:
        self.section, self.trace, self.plot = Section(), Trace(), ErrorsPlot()

    def paint(self, canvas: Canvas, seen: Seen) -> None:
        """All of it."""
        if seen.known.tick is None:
            canvas.middle(
                canvas.whole, canvas.height // 2, "Waiting for the first tick.", Ink.STRONG
            )
            return
        rows = drive_job.ROWS if drive_job.followed(seen.known.tick) else 0
        at = parts(canvas.width, canvas.height, rows)
        for side, rect in ((Side.LEFT, at.left), (Side.RIGHT, at.right)):
            drive_ends.paint(canvas, rect, side, at.size, seen)
        canvas.fitting(at.fall._replace(x=1, width=at.fall.width - 1), fall_words(seen))
        if rows:
            drive_job.paint(canvas, at.job, seen)
        self.section.paint(canvas, at.section, seen)
        self.trace.paint(canvas, at.trace, seen)
        self.plot.paint(canvas, at.plot, seen)


def fall_words(seen: Seen) -> list[str]:
    """The crossfall, target and actual, then speed and way; the first that fits is shown."""
    tick = seen.known.tick
    assert tick is not None
    u, age = seen.units, seen.known.age_s(seen.now_s)
    actual, target = u.falls(tick.crossfall), u.falls(tick.crossfall_target)
    fall = marked(f"crossfall {actual}, target {target}", age)
    way = "" if tick.distance_m is None else f" at {u.distance(tick.distance_m)}"
    drive = marked(f"{u.speed(tick.speed_mps)}{way}", age)
    sd = f" (sd {u.crossfall(tick.crossfall_sd)})" if tick.crossfall_sd is not None else ""
    long = marked(f"crossfall {actual}{sd}, target {target}", age)
    return [f"{long};  {drive}", f"{fall};  {drive}", fall]


class DrivePane(Board):
    """The pane; a click on an end chooses it."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.painter = DrivePainter()
        self.units = Units()
        self.chosen: frozenset[Side] = frozenset({Side.LEFT})

    def show(self, known: Known, now_s: float) -> None:
        """Draw what is known now."""
        canvas = self.canvas()
        self.painter.paint(canvas, Seen(known, now_s, self.units, self.chosen))
        self.draw(canvas)

    def side_at(self, x: int, y: int) -> Side | None:
        """The end whose words were clicked."""
        at = parts(self.size.width, self.size.height)
        if y >= at.left.height:
            return None
        return Side.LEFT if x < at.right.x else Side.RIGHT
