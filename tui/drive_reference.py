"""A reference in the cross-section, where it lies beside the blade, and the bar above it.

It lies under its target by datum and offset. What is further down than the drawing reaches stands
at the drawing's edge, with an arrow and its height in words.
"""

from __future__ import annotations

from typing import NamedTuple

from firmware_py.link.frames import BarInfo
from firmware_py.messages import BarTick, EndTick, Guide, Link, Side
from tui.canvas import DOTS_DOWN, Canvas, Ink
from tui.drive_frame import Frame, bar_middle, half_span
from tui.drive_words import STALE, Seen, is_stale, unseen_s

SIGNS = {Guide.STRING: "●", Guide.EDGE: "▟", Guide.SURFACE: "▒"}


class Sign(NamedTuple):
    """What is drawn of a reference: its first column, its row, its sign, and words beside it."""

    column: int
    row: int
    sign: str
    words: str


def reference_height(end: EndTick) -> float | None:
    """Height of an end's reference over its target, m (below: < 0); None without a datum."""
    return None if end.datum_m is None else -(end.datum_m + end.offset_m)


def paint_reference(canvas: Canvas, scene: Frame, info: BarInfo, seen: Seen) -> None:
    """One bar at the top of the drawing, and what it looks down upon."""
    tick, hello, bar = seen.known.tick, seen.known.hello, seen.known.bar(info.end)
    if tick is None or hello is None or bar is None:
        return
    middle = bar_middle(hello, info)
    _bar(canvas, scene, middle, half_span(info))
    sign = _sign(scene, info, bar, tick.end(info.end), middle)
    age = seen.known.age_s(seen.now_s) + unseen_s(seen.known, info.end)
    words = sign.words.format(height=_height_words(tick.end(info.end), seen))
    if sign.sign and is_stale(age):
        words += f" {STALE}"
    canvas.text(sign.column, sign.row, sign.sign, Ink.REFERENCE)
    if info.end is Side.LEFT:
        canvas.text(sign.column + len(sign.sign) + 1, sign.row, words, Ink.REFERENCE)
    else:
        canvas.right(sign.column - 1, sign.row, words, Ink.REFERENCE)


def _bar(canvas: Canvas, scene: Frame, middle: float, half: float) -> None:
    first, last = scene.column(middle + half), scene.column(middle - half)
    words = "bar" if last - first >= len("bar") + 1 else ""
    canvas.text(first, scene.rect.y, f"├{words:─^{max(last - first - 1, 0)}}┤", Ink.FAINT)


def _height_words(end: EndTick, seen: Seen) -> str:
    height = reference_height(end)
    return "" if height is None else seen.units.height(abs(height))


def _sign(scene: Frame, info: BarInfo, bar: BarTick, end: EndTick, middle: float) -> Sign:
    guide = end.guide
    place = middle + (bar.lateral_m or 0.0)
    if guide not in SIGNS:
        return Sign(scene.column(place), scene.bottom, "", f"guide: {guide}")
    if bar.link is Link.SEARCHING:
        return Sign(scene.column(place), scene.bottom, "", f"{guide}: searching")
    row, words = _row(scene, guide, reference_height(end))
    if guide is not Guide.SURFACE:
        return Sign(scene.column(place), row, SIGNS[guide], words)
    half = half_span(info)
    first, last = scene.column(place + half), scene.column(place - half)
    return Sign(first, row, SIGNS[guide] * max(last - first, 1), words)


def _row(scene: Frame, guide: Guide, height: float | None) -> tuple[int, str]:
    """Row of a reference and its words; {height} stands for its distance."""
    if height is None:
        return scene.bottom, f"{guide}, no datum"
    if scene.holds(height):
        return scene.down(height) // DOTS_DOWN, guide.value
    if height > 0:
        return scene.rect.y + 1, f"{guide} ▲ {{height}} above target"
    return scene.bottom, f"{guide} ▼ {{height}} below target"
