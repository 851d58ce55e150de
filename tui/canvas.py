"""A canvas of character cells with braille dots in them, and the widget that shows one.

Cells: x to the right from 0, y down from 0. Dots: two across and four down in each cell. What is
drawn later covers what was drawn earlier, but dots never cover a character.
"""

from __future__ import annotations

from enum import IntEnum
from itertools import pairwise
from typing import NamedTuple

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.color import Color
from textual.geometry import Region
from textual.message import Message
from textual.strip import Strip
from textual.theme import Theme
from textual.widget import Widget

DOTS_ACROSS, DOTS_DOWN = 2, 4  # in one cell
BRAILLE = 0x2800  # Unicode's first braille pattern; bits below as the standard numbers its dots
DOT_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
SOLID, DASHED, DOTTED = (1, 0), (4, 3), (1, 3)  # dots on, dots off


class Ink(IntEnum):
    """What a cell's colour means; the theme says which one it is. No meaning by colour alone."""

    PLAIN = 0
    FAINT = 1
    STRONG = 2
    LEFT = 3
    RIGHT = 4
    TARGET = 5
    REFERENCE = 6
    WARNING = 7
    ALARM = 8
    HEAD = 9
    BLADE = 10


GROUNDED = (Ink.ALARM, Ink.HEAD)  # inks with a ground of their own


class Rect(NamedTuple):
    """A part of a canvas, in cells."""

    x: int
    y: int
    width: int
    height: int


Run = tuple[str, Ink]


class Canvas:
    """Draw with text, bar and dots; read with rows or lines."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = max(width, 0), max(height, 0)
        self._chars = [[" "] * self.width for _ in range(self.height)]
        self._inks = [[Ink.PLAIN] * self.width for _ in range(self.height)]
        self._dots: dict[tuple[int, int], tuple[int, Ink]] = {}

    @property
    def whole(self) -> Rect:
        return Rect(0, 0, self.width, self.height)

    def text(self, x: int, y: int, words: str, ink: Ink = Ink.PLAIN, room: int = 10_000) -> int:
        """Words from x to the right, cut to room and to the canvas; returns the column after."""
        end = min(self.width, x + min(len(words), max(room, 0)))
        start = max(x, 0)
        if not 0 <= y < self.height or end <= start:
            return max(end, x)
        shown = words[start - x : end - x]
        if self._dots:
            for column in range(start, end):
                self._dots.pop((column, y), None)
        self._chars[y][start:end] = shown
        self._inks[y][start:end] = [ink] * len(shown)
        return end

    def right(self, x: int, y: int, words: str, ink: Ink = Ink.PLAIN, room: int = 10_000) -> None:
        """Words that end before column x; what does not fit is cut at their end."""
        words = words[: max(room, 0)]
        self.text(x - len(words), y, words, ink)

    def middle(self, rect: Rect, y: int, words: str, ink: Ink = Ink.PLAIN) -> None:
        """Words in the middle of a part."""
        words = words[: rect.width]
        self.text(rect.x + (rect.width - len(words)) // 2, y, words, ink)

    def fitting(self, rect: Rect, choices: list[str], ink: Ink = Ink.PLAIN) -> None:
        """The first of the choices that fits into a part's first row, else the last one, cut."""
        words = next((w for w in choices if len(w) <= rect.width), choices[-1])
        self.text(rect.x, rect.y, words, ink, rect.width)

    def paint(self, rect: Rect, ink: Ink) -> None:
        """Give every cell of a part an ink; what stands there stays."""
        left, right = max(rect.x, 0), min(rect.x + rect.width, self.width)
        for y in range(max(rect.y, 0), min(rect.y + rect.height, self.height)):
            self._inks[y][left:right] = [ink] * max(right - left, 0)

    def dot(self, across: int, down: int, ink: Ink) -> None:
        """One dot; outside the canvas nothing happens."""
        x, y = across // DOTS_ACROSS, down // DOTS_DOWN
        if not (0 <= x < self.width and 0 <= y < self.height):
            return
        bit = DOT_BITS[down % DOTS_DOWN][across % DOTS_ACROSS]
        self._dots[x, y] = (self._dots.get((x, y), (0, ink))[0] | bit, ink)

    def line(
        self, start: tuple[int, int], end: tuple[int, int], ink: Ink, dash: tuple[int, int] = SOLID
    ) -> None:
        """A straight line of dots from start to end, both included."""
        self._dashed(_between(start, end), ink, dash)

    def curve(
        self, points: list[tuple[int, int] | None], ink: Ink, dash: tuple[int, int] = SOLID
    ) -> None:
        """Lines from point to point, their dashes running on; None leaves a gap."""
        dots: list[tuple[int, int]] = []
        for before, after in pairwise([None, *points]):
            if after is not None:
                dots += [after] if before is None else _between(before, after)[1:]
        self._dashed(dots, ink, dash)

    def _dashed(self, dots: list[tuple[int, int]], ink: Ink, dash: tuple[int, int]) -> None:
        on, off = dash
        shown = dots if off == 0 else [d for k, d in enumerate(dots) if k % (on + off) < on]
        cells, width, height = self._dots, self.width, self.height
        for across, down in shown:  # as `dot`, without a call for each: they are thousands
            x, y = across // DOTS_ACROSS, down // DOTS_DOWN
            if 0 <= x < width and 0 <= y < height:
                bit = DOT_BITS[down % DOTS_DOWN][across % DOTS_ACROSS]
                before = cells.get((x, y))
                cells[x, y] = (bit if before is None else before[0] | bit, ink)

    def rows(self) -> list[tuple[Run, ...]]:
        """All rows as runs."""
        by_row: dict[int, dict[int, tuple[int, Ink]]] = {}
        for (x, y), dots in self._dots.items():
            by_row.setdefault(y, {})[x] = dots
        return [self._runs(y, by_row.get(y, {})) for y in range(self.height)]

    def lines(self) -> list[str]:
        """The canvas as plain text: what can be read without any colour."""
        return ["".join(text for text, _ in runs) for runs in self.rows()]

    def _runs(self, y: int, dotted: dict[int, tuple[int, Ink]]) -> tuple[Run, ...]:
        chars, inks = self._chars[y], self._inks[y]
        if dotted:
            chars, inks = chars.copy(), inks.copy()
            for x, (bits, ink) in dotted.items():
                if chars[x] == " ":
                    chars[x], inks[x] = chr(BRAILLE + bits), ink
        if inks and inks.count(inks[0]) == self.width:  # most rows, and quick to find
            return (("".join(chars), inks[0]),)
        bounds = [x for x in range(1, self.width) if inks[x] is not inks[x - 1]]
        runs: list[Run] = []
        start, ink = 0, inks[0] if inks else Ink.PLAIN
        for x, end in pairwise([*bounds, self.width]):
            here = inks[x]
            blank = here is Ink.PLAIN and ink not in GROUNDED and not "".join(chars[x:end]).strip()
            if here is ink or blank:
                continue  # nothing is seen of a blank's ink, and a longer run is sooner written
            runs.append(("".join(chars[start:x]), ink))
            start, ink = x, here
        runs.append(("".join(chars[start:]), ink))
        return tuple(runs)


def _between(start: tuple[int, int], end: tuple[int, int]) -> list[tuple[int, int]]:
    """All dots of a straight line, both ends included."""
    (x0, y0), (x1, y1) = start, end
    steps = max(abs(x1 - x0), abs(y1 - y0))
    if steps <= 1:
        return [start, end] if steps else [start]
    if y0 == y1:
        way = 1 if x1 > x0 else -1
        return [(x, y0) for x in range(x0, x1 + way, way)]
    two, across, down = 2 * steps, 2 * (x1 - x0), 2 * (y1 - y0)  # rounded, halves up
    return [
        (x0 + (k * across + steps) // two, y0 + (k * down + steps) // two) for k in range(steps + 1)
    ]


def styles_of(theme: Theme) -> dict[Ink, Style]:
    """The theme's colours as styles; shape and words say the same without them."""
    back = theme.background or theme.surface or "#000000"
    fore = theme.foreground or "#ffffff"
    more = theme.variables

    def style(colour: str | None, *, on: str = back, bold: bool = False) -> Style:
        inks = [Color.parse(c or fore).rich_color for c in (colour, on)]
        return Style(color=inks[0], bgcolor=inks[1], bold=bold)

    return {
        Ink.PLAIN: style(fore),
        Ink.FAINT: style(more.get("dim")),
        Ink.STRONG: style(fore, bold=True),
        Ink.BLADE: style(more.get("blade"), bold=True),
        Ink.LEFT: style(more.get("blade"), bold=True),
        Ink.RIGHT: style(more.get("good", theme.success), bold=True),
        Ink.TARGET: style(more.get("target", theme.secondary)),
        Ink.REFERENCE: style(more.get("warn", theme.warning)),
        Ink.WARNING: style(more.get("warn", theme.warning), bold=True),
        Ink.ALARM: style(more.get("banner-text", back), on=more.get("banner", fore), bold=True),
        Ink.HEAD: style(back, on=fore, bold=True),
    }


class Board(Widget):
    """Shows a canvas; only rows that changed are drawn again."""

    DEFAULT_CSS = "Board { width: 1fr; height: 1fr; }"

    class Clicked(Message):
        """A click, in cells of the board."""

        def __init__(self, board: Board, x: int, y: int) -> None:
            super().__init__()
            self.board, self.x, self.y = board, x, y

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._rows: list[tuple[Run, ...]] = []
        self._strips: list[Strip] = []
        self._theme = ""
        self._styles: dict[Ink, Style] = {}

    def canvas(self) -> Canvas:
        """An empty canvas of the widget's size."""
        return Canvas(self.size.width, self.size.height)

    def draw(self, canvas: Canvas) -> None:
        """Bring the widget to this canvas."""
        rows = canvas.rows()
        theme = self.app.current_theme
        same = theme.name == self._theme and len(rows) == len(self._rows)
        if not same:
            self._theme, self._styles = theme.name, styles_of(theme)
            self._rows = [()] * len(rows)
            self._strips = [Strip.blank(canvas.width)] * len(rows)
        changed = [y for y, runs in enumerate(rows) if runs != self._rows[y]]
        for y in changed:
            self._strips[y] = self._strip(rows[y])
        self._rows = rows
        if not same:
            self.refresh()
        elif changed:
            self.refresh(*(Region(0, y, canvas.width, 1) for y in changed))

    def _strip(self, runs: tuple[Run, ...]) -> Strip:
        return Strip([Segment(text, self._styles[ink]) for text, ink in runs])

    def render_line(self, y: int) -> Strip:
        """Textual asks for one row."""
        width = self.size.width
        if y >= len(self._strips):
            return Strip.blank(width, self.rich_style)
        return self._strips[y].adjust_cell_length(width, self._styles.get(Ink.PLAIN))

    def on_click(self, event: events.Click) -> None:
        """Whoever holds the board knows what stands there."""
        self.post_message(self.Clicked(self, event.x, event.y))

    def lines(self) -> list[str]:
        """What is shown, as plain text."""
        return ["".join(text for text, _ in runs) for runs in self._rows]
