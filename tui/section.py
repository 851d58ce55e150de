"""The blade in cross-section against its target, to a stated scale.

Seen facing the cutting direction: left is left. Heights over the target, which is drawn level;
they are exaggerated, and the drawing says by how much. The reference stands where it lies beside
the blade, lower than its target by datum and offset.
"""

from __future__ import annotations

from firmware_py.messages import Side, Tick
from tui.canvas import DASHED, DOTS_ACROSS, Canvas, Ink, Rect
from tui.drive_frame import Frame, frame, half_width
from tui.drive_reference import paint_reference
from tui.drive_scale import Steps, in_words
from tui.drive_words import STALE, Seen
from tui.units import HEIGHT

LABEL = 9  # columns of the height labels, left of the drawing
LEAST_STEP_M = 0.9e-3  # m a row: finer would show noise
STUB = 0.2  # share of the width that is drawn of a blade of which one end alone is known
THICKER = 8  # rows of the drawing for which the blade's edge becomes a dot thicker
PLATE = 5  # dots; height of the blade's end plates in the drawing


class Section:
    """Paints the cross-section; keeps its scale."""

    def __init__(self) -> None:
        self.steps = Steps(LEAST_STEP_M)

    def paint(self, canvas: Canvas, rect: Rect, seen: Seen) -> None:
        """One row with the bars, the drawing, one row with the scale."""
        tick, hello = seen.known.tick, seen.known.hello
        if tick is None or rect.height < 4:
            return
        drawing = Rect(rect.x + LABEL, rect.y, rect.width - LABEL, rect.height - 1)
        kind = HEIGHT[seen.units.system]
        errors = [abs(e.error_m) for e in (tick.left, tick.right) if e.error_m is not None]
        row_m = self.steps.choose(max(errors, default=0.0), drawing.height // 2, kind.one)
        scene = frame(hello, drawing, row_m)
        stale = not seen.known.fresh(seen.now_s)
        self._labels(canvas, scene, seen)
        _target(canvas, scene)
        _blade(canvas, scene, tick, Ink.FAINT if stale else Ink.BLADE, half_width(hello))
        for bar in hello.bars if hello else ():
            paint_reference(canvas, scene, bar, seen)
        _ends(canvas, scene, tick, seen)
        _scale(canvas, Rect(rect.x, rect.y + rect.height - 1, rect.width, 1), scene, seen)
        if stale:
            canvas.middle(drawing, scene.middle - 1, f" {STALE}: this is old ", Ink.ALARM)

    def _labels(self, canvas: Canvas, scene: Frame, seen: Seen) -> None:
        rows = scene.rect.height // 2
        edge = scene.rect.x - 1
        for up in (rows, 0, -rows):
            words = seen.units.height_number(up * scene.row_m, signed=True)
            words = "target" if up == 0 else words.removesuffix(".0") + f" {seen.units.height_unit}"
            canvas.right(edge, scene.middle - up, words, Ink.TARGET if up == 0 else Ink.FAINT)


def _target(canvas: Canvas, scene: Frame) -> None:
    row = scene.down(0.0)
    first = scene.rect.x * DOTS_ACROSS
    canvas.line((first, row), (first + scene.rect.width * DOTS_ACROSS - 1, row), Ink.TARGET, DASHED)


def _blade(canvas: Canvas, scene: Frame, tick: Tick, ink: Ink, half: float) -> None:
    """A box blade from behind: its edge, two dots thick, with a plate at either known end."""
    left, right = tick.left.error_m, tick.right.error_m
    pieces: list[tuple[float, float, float, float]] = []
    if left is not None and right is not None:
        pieces.append((half, left, -half, right))
    elif left is not None:
        pieces.append((half, left, half - STUB * 2 * half, left))
    elif right is not None:
        pieces.append((-half, right, -half + STUB * 2 * half, right))
    for y0, h0, y1, h1 in pieces:
        start, end = (scene.across(y0), scene.down(h0)), (scene.across(y1), scene.down(h1))
        for up in range(2 + scene.rect.height // THICKER):
            canvas.line((start[0], start[1] - up), (end[0], end[1] - up), ink)
    for y, height in ((half, left), (-half, right)):
        if height is not None:
            at = scene.across(y)
            canvas.line((at, scene.down(height)), (at, scene.down(height) - PLATE), ink)


def _ends(canvas: Canvas, scene: Frame, tick: Tick, seen: Seen) -> None:
    """An end that is further off than the drawing reaches is told in words."""
    half = half_width(seen.known.hello)
    for side in Side:
        error = tick.end(side).error_m
        column = scene.column(side.sign * half)
        if error is None:
            words = f"{side} end unknown"
        elif not scene.holds(error):
            words = f"{'▲' if error > 0 else '▼'} {seen.units.height(error, signed=True)}"
        else:
            continue
        y = scene.middle if error is None else scene.rect.y if error > 0 else scene.bottom
        if side is Side.LEFT:
            canvas.text(column, y, words, Ink.WARNING)
        else:
            canvas.right(column + 1, y, words, Ink.WARNING)


def _scale(canvas: Canvas, rect: Rect, scene: Frame, seen: Seen) -> None:
    """What one column and one row are, and how much higher than wide things are drawn."""
    row = in_words(scene.row_m, HEIGHT[seen.units.system])
    across = seen.units.height_rough(scene.column_m)
    times = f"heights x {scene.exaggeration:.0f}"
    left, right = "left end", "right end"
    half = half_width(seen.known.hello)
    first, last = scene.column(half), scene.column(-half) + 1
    canvas.text(first, rect.y, left, Ink.STRONG)
    canvas.right(last, rect.y, right, Ink.STRONG)
    x = first + len(left) + 2
    room = Rect(x, rect.y, last - len(right) - 2 - x, 1)
    choices = [
        f"seen facing the cutting direction; 1 row {row}, 1 column {across}: {times}",
        f"1 row {row}, 1 column {across}: {times}",
        f"row {row}, column {across}, {times}",
        f"row {row}, column {across}",
    ]
    canvas.fitting(room, choices, Ink.FAINT)
