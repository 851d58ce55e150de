"""The bottom of every screen: one line with what was asked and answered, then the keys."""

from __future__ import annotations

from typing import NamedTuple

from tui.canvas import Board, Canvas, Ink
from tui.keys import ACTIONS, BY_NAME, SCREENS, key_words

GAP = 2  # columns between two keys
NARROW = 110  # columns; below, the shorter words are taken
SHORT_WORDS = {
    "crossfall_less": "fall -",
    "crossfall_more": "fall +",
    "hold_end": "hold",
    "transition": "refuse",
}


class Key(NamedTuple):
    """An action with its key; words stand in place of its own where they are given."""

    action: str
    key: str
    words: str = ""


class Span(NamedTuple):
    """Where a key's words stand, in cells of the keys' rows, and what it does."""

    x: int
    y: int
    key: str
    words: str
    action: str

    @property
    def end(self) -> int:
        return self.x + len(self.key) + 1 + len(self.words)


def shown_actions(simulated: bool, job: bool = False) -> list[str]:
    """Names of the actions in the footer; the screens stand at the top."""
    return [
        a.name
        for a in ACTIONS
        if a.name not in SCREENS and (simulated or not a.simulated) and (job or not a.job)
    ]


def layout(width: int, wanted: list[Key]) -> list[Span]:
    """The keys row by row."""
    spans: list[Span] = []
    x, y = 1, 0
    for name, key, words in wanted:
        short = SHORT_WORDS.get(name) if width < NARROW else None
        span = Span(x, y, key_words(key), words or short or BY_NAME[name].words, name)
        if x > 1 and span.end > width:
            span = span._replace(x=1, y=y + 1)
        spans.append(span)
        x, y = span.end + GAP, span.y
    return spans


def rows(spans: list[Span]) -> int:
    """Rows that the keys take."""
    return 1 + max((span.y for span in spans), default=0)


def paint(canvas: Canvas, spans: list[Span], line: tuple[str, Ink]) -> None:
    """The line in row 0, the keys below."""
    words, ink = line
    shown = f" {words}"
    canvas.text(0, 0, shown.ljust(canvas.width) if ink is Ink.ALARM else shown, ink)
    for span in spans:
        x = canvas.text(span.x, span.y + 1, span.key, Ink.TARGET)
        ink = Ink.STRONG if span.action == "hold_now" else Ink.PLAIN
        canvas.text(x + 1, span.y + 1, span.words, ink)


def action_at(spans: list[Span], x: int, y: int) -> str | None:
    """The action under a click; y counts from the keys' first row."""
    return next((s.action for s in spans if s.y == y and s.x <= x < s.end), None)


class Foot(Board):
    """The foot as a widget; as high as it needs."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._spans: list[Span] = []

    def show(self, wanted: list[Key], line: tuple[str, Ink]) -> None:
        """Draw the line and the keys."""
        width = self.app.size.width
        self._spans = layout(width, wanted)
        lines = 1 + rows(self._spans)
        self.styles.height = lines
        canvas = Canvas(width, lines)
        paint(canvas, self._spans, line)
        self.draw(canvas)

    def action_at(self, x: int, y: int) -> str | None:
        """The action under a click."""
        return action_at(self._spans, x, y - 1)
