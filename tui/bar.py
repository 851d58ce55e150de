"""The Bar pane: what each range bar hears, drawn to scale, and what is made of it."""

from __future__ import annotations

from typing import NamedTuple

from firmware_py.link.frames import BarInfo
from firmware_py.messages import BarTick, Guide, Side, Use
from tui.bar_scene import GROUND, SIGNS, BarFrame, BarScale, gate_edges, ranges_of
from tui.canvas import DASHED, DOTS_ACROSS, DOTTED, Board, Canvas, Ink, Rect
from tui.drive_reference import SIGNS as REFERENCE_SIGNS
from tui.drive_scale import in_words
from tui.drive_words import DASH, STALE, Seen, marked, unseen_s
from tui.known import Known
from tui.units import HEIGHT, Units

LABEL = 6  # columns of the range labels
INKS = {
    Use.USED: Ink.STRONG,
    Use.GATED: Ink.FAINT,
    Use.OUTLIER: Ink.WARNING,
    Use.SILENT: Ink.WARNING,
}
KEY = "● used  × gated  ? outlier  ▁ furthest echo  - - gate"


NARROW = 60  # columns; below, the uses stand in two rows, and the rows of the table have no names
SHORT_KEY = "● used × gated ? outlier ▁ far"


class Told(NamedTuple):
    """One bar: what it is, what it told, and the halves of the gate, m."""

    info: BarInfo
    bar: BarTick
    gate_halves: tuple[float, float]


class BarPainter:
    """Paints all bars of the rig; keeps their scales."""

    def __init__(self) -> None:
        self.scales: dict[Side, BarScale] = {}

    def paint(self, canvas: Canvas, seen: Seen) -> None:
        """Bars side by side, the left one left."""
        hello, tick = seen.known.hello, seen.known.tick
        if tick is None or hello is None:
            canvas.middle(
                canvas.whole, canvas.height // 2, "Waiting for the first tick.", Ink.STRONG
            )
            return
        infos = sorted(hello.bars, key=lambda info: -info.end.sign)
        if not infos:
            canvas.middle(
                canvas.whole, canvas.height // 2, "This rig has no range bar.", Ink.STRONG
            )
            return
        width = canvas.width // len(infos)
        for number, info in enumerate(infos):
            rect = Rect(number * width, 0, width - 1, canvas.height)
            bar = seen.known.bar(info.end)
            if bar is None:
                canvas.text(
                    rect.x + 1, 0, f"{info.end.value.upper()} BAR: nothing told", Ink.WARNING
                )
            else:
                self._bar(canvas, rect, info, bar, seen)

    def _bar(self, canvas: Canvas, rect: Rect, info: BarInfo, bar: BarTick, seen: Seen) -> None:
        tick = seen.known.tick
        assert tick is not None
        top = _words(canvas, rect, info, bar, seen)
        drawing = Rect(
            rect.x + LABEL,
            top + 1,
            rect.width - LABEL,
            rect.height - top - 6 - (rect.width < NARROW),
        )
        if drawing.height < 3 or drawing.width < 20:
            return
        scale = self.scales.setdefault(info.end, BarScale())
        kind = HEIGHT[seen.units.system]
        shown = ranges_of(bar, tick.gate_near_m, tick.gate_far_m)
        scene = scale.frame(info, drawing, shown, kind)
        _axis(canvas, scene, seen)
        _elements(canvas, scene, info, bar)
        _gate(canvas, scene, bar, seen)
        _reference(canvas, scene, info, bar, seen)
        if not seen.known.fresh(seen.now_s):
            canvas.middle(drawing, drawing.y, f" {STALE}: this is old ", Ink.ALARM)
        halves = tick.gate_near_m, tick.gate_far_m
        _table(
            canvas,
            rect._replace(x=rect.x + 1, width=rect.width - 1),
            scene,
            Told(info, bar, halves),
            seen,
        )


def _words(canvas: Canvas, rect: Rect, info: BarInfo, bar: BarTick, seen: Seen) -> int:
    """What is known of the reference; returns the row below."""
    tick, u = seen.known.tick, seen.units
    assert tick is not None
    age = seen.known.age_s(seen.now_s)
    guide = tick.end(info.end).guide
    link = bar.link.value
    unseen = "not seen yet" if bar.unseen_s is None else f"seen {bar.unseen_s + age:.2f} s ago"
    turned = ", turned along the way" if info.turned else ""
    head = f"{info.end.value.upper()} BAR: {guide}, {link}, {unseen}"
    short = head.replace(", seen ", ", ").removesuffix(" ago")
    heads = [f"{head}{turned}", head, short]
    canvas.fitting(Rect(rect.x + 1, 0, rect.width - 1, 1), heads, Ink.STRONG)
    seen_age = age + unseen_s(seen.known, info.end)
    lines = [
        marked(f"clearance {_with_sd(bar.clearance_m, bar.clearance_sd_m, u)}", seen_age),
        marked(f"lateral {_lateral(bar, u)}", seen_age),
    ]
    if len(lines[0]) + len(lines[1]) + 3 <= rect.width:
        lines = ["   ".join(lines)]
    for row, words in enumerate(lines, start=1):
        canvas.text(rect.x + 1, row, words, Ink.PLAIN, rect.width - 1)
    return 1 + len(lines)


def _with_sd(value: float | None, sd: float | None, u: Units) -> str:
    words = u.height(value)
    return words if value is None or sd is None else f"{words}, sd {u.height_number(sd)}"


def _lateral(bar: BarTick, u: Units) -> str:
    if bar.lateral_m is None:
        return u.height(None)
    side = "left" if bar.lateral_m > 0 else "right"
    sd = "" if bar.lateral_sd_m is None else f", sd {u.height_number(bar.lateral_sd_m)}"
    return f"{u.height(abs(bar.lateral_m))} to the {side}{sd}"


def _axis(canvas: Canvas, scene: BarFrame, seen: Seen) -> None:
    """Ranges at the left: each second row where there is room."""
    rect = scene.rect
    every = 2 if rect.height > 8 else 1
    for row in range(0, rect.height, every):
        words = seen.units.height_number(scene.top_m + row * scene.row_m).removesuffix(".0")
        canvas.right(rect.x - 1, rect.y + row, words, Ink.FAINT)
    canvas.right(rect.x - 1, rect.y - 1, f"{seen.units.height_unit} ≈" if scene.top_m else "bar")


def _elements(canvas: Canvas, scene: BarFrame, info: BarInfo, bar: BarTick) -> None:
    """The bar with its elements, and under each what it heard."""
    rect = scene.rect
    columns = [scene.column(y) for y in info.positions_m]
    first, last = min(columns, default=rect.x), max(columns, default=rect.x)
    canvas.text(first, rect.y - 1, "═" * (last - first + 1), Ink.PLAIN)
    for k, y in enumerate(info.positions_m):
        column = scene.column(y)
        canvas.text(column, rect.y - 1, str(k + 1), Ink.STRONG)
        near, use = _at(bar.ranges_m, k), use_of(bar, k)
        far = _at(bar.last_m, k)
        if far is not None and (near is None or abs(far - near) >= scene.row_m / 2):
            width = max(round(0.04 / scene.column_m), 1)
            canvas.text(column - width // 2, scene.row(far), GROUND * width, Ink.TARGET)
        if near is None:
            continue
        x = scene.across(y)
        canvas.line((x, rect.y * 4), (x, scene.down(near)), INKS[use], DOTTED)
        canvas.text(
            column, scene.row(near), SIGNS[use] if use is not Use.SILENT else "·", INKS[use]
        )


def use_of(bar: BarTick, k: int) -> Use:
    """What became of an element's last firing; one that is not told of is silent."""
    return bar.uses[k] if k < len(bar.uses) else Use.SILENT


def _at(values: tuple[float | None, ...], k: int) -> float | None:
    return values[k] if k < len(values) else None


def _gate(canvas: Canvas, scene: BarFrame, bar: BarTick, seen: Seen) -> None:
    tick = seen.known.tick
    assert tick is not None
    edges = gate_edges(bar, tick.gate_near_m, tick.gate_far_m)
    if edges is None:
        return
    rect = scene.rect
    first, last = rect.x * DOTS_ACROSS, (rect.x + rect.width) * DOTS_ACROSS - 1
    for edge in edges:
        if scene.holds(edge):
            row = scene.down(edge)
            canvas.line((first, row), (last, row), Ink.TARGET, DASHED)


def _reference(canvas: Canvas, scene: BarFrame, info: BarInfo, bar: BarTick, seen: Seen) -> None:
    """Where the reference lies: clearance and lateral."""
    tick = seen.known.tick
    assert tick is not None
    if bar.clearance_m is None or not scene.holds(bar.clearance_m):
        return
    guide = tick.end(info.end).guide
    row = scene.row(bar.clearance_m)
    if bar.lateral_m is None:  # a surface
        row_dots = scene.down(bar.clearance_m)
        half = scene.half_m - 0.02
        start, end = scene.across(half), scene.across(-half)
        canvas.line((start, row_dots), (end, row_dots), Ink.REFERENCE)
        canvas.text(scene.rect.x + 1, row, guide.value, Ink.REFERENCE)
        return
    column = scene.column(bar.lateral_m)
    sign = REFERENCE_SIGNS.get(guide, "◆") if guide is Guide.EDGE else "◆"
    canvas.text(column, row, sign, Ink.REFERENCE)
    words = f" {guide}"
    if column + 1 + len(words) < scene.rect.x + scene.rect.width:
        canvas.text(column + 1, row, words, Ink.REFERENCE)
    else:
        canvas.right(column, row, words, Ink.REFERENCE)


def _table(canvas: Canvas, rect: Rect, scene: BarFrame, told: Told, seen: Seen) -> None:
    """Each element's range and use in words, under the element; the gate; the scale."""
    u, bar = seen.units, told.bar
    y, narrow = scene.rect.y + scene.rect.height, rect.width < NARROW
    last = 2 + narrow
    if not narrow:
        for row, name in enumerate(("nearest", "use", "furthest")):
            canvas.text(rect.x, y + row, name, Ink.FAINT)
    for k, place in enumerate(told.info.positions_m):
        column, use = scene.column(place), use_of(bar, k)
        cells = (
            (0, _range_words(_at(bar.ranges_m, k), u), Ink.PLAIN),
            (1 + k % (1 + narrow), use.value, INKS[use]),
            (last, _range_words(_at(bar.last_m, k), u), Ink.PLAIN),
        )
        for row, words, ink in cells:
            canvas.text(column - len(words) // 2, y + row, words, ink)
    _gate_words(canvas, Rect(rect.x, y + last + 1, rect.width, 1), told, seen)
    kind = HEIGHT[u.system]
    scale = f"1 row {in_words(scene.row_m, kind)}, 1 column {u.height(scene.column_m)}"
    room = Rect(rect.x, y + last + 2, rect.width, 1)
    canvas.fitting(room, [f"{scale};  {KEY}", f"{scale}; {SHORT_KEY}", scale], Ink.FAINT)


def _range_words(range_m: float | None, units: Units) -> str:
    return DASH if range_m is None else units.height_number(range_m)


def _gate_words(canvas: Canvas, rect: Rect, told: Told, seen: Seen) -> None:
    u = seen.units
    near, far = told.gate_halves
    halves = f"near half {u.height_number(near)}, far half {u.height(far)}"
    edges = gate_edges(told.bar, near, far)
    if edges is None:
        where = "the whole reach"
        choices = [f"gate: {where}; {halves}", f"gate: {where}"]
    else:
        where = f"{u.height_number(edges[0])} to {u.height(edges[1])}"
        choices = [f"gate {where} ({halves})", f"gate {where}"]
    age = seen.known.age_s(seen.now_s)
    canvas.fitting(rect, [marked(words, age) for words in choices])


class BarPane(Board):
    """The pane."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.painter = BarPainter()
        self.units = Units()
        self.chosen: frozenset[Side] = frozenset()

    def show(self, known: Known, now_s: float) -> None:
        """Draw what is known now."""
        canvas = self.canvas()
        self.painter.paint(canvas, Seen(known, now_s, self.units, self.chosen))
        self.draw(canvas)
