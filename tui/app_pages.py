"""Two pages that stand in place of a pane: the cautions at the start, and all keys."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from firmware_py.live.cautions import CAUTIONS
from firmware_py.messages import Mode
from tui.canvas import Board, Canvas, Ink
from tui.keys import ACTIONS, key_words
from tui.known import Known

DISMISS = "Press any key, or click, to go on. Space shuts the valves, here and on every screen."
MORE = "{} : next page.   Any other key: back."
WORDS_COLUMN, MORE_COLUMN = 8, 22


FIRST = "Before anything moves:"
MOVES = "Read this first; the automatic is on, and the blade moves already:"


def paint_cautions(canvas: Canvas, mode: Mode | None) -> None:
    """What everybody is told before anything moves; who joins a run in AUTO, that it does."""
    first = MOVES if mode is Mode.AUTO else FIRST
    width = max(canvas.width - 8, 10)
    lines: list[tuple[str, Ink]] = [(first, Ink.STRONG), ("", Ink.PLAIN)]
    for words in CAUTIONS:
        wrapped = textwrap.wrap(words, width - 2)
        lines += [(("- " if n == 0 else "  ") + w, Ink.PLAIN) for n, w in enumerate(wrapped)]
    lines.append(("", Ink.PLAIN))
    lines += [(words, Ink.WARNING) for words in textwrap.wrap(DISMISS, width)]
    top = max((canvas.height - len(lines)) // 2, 0)
    for row, (words, ink) in enumerate(lines):
        canvas.text(4, top + row, words, ink)


def help_pages(height: int) -> int:
    """How many pages the keys take."""
    rows = max(height - 2, 1)
    return -(-len(ACTIONS) // rows)


def paint_help(canvas: Canvas, keys: Mapping[str, str], page: int) -> dict[int, str]:
    """One page of the keys; returns the action of each row, for clicks."""
    rows = max(canvas.height - 2, 1)
    pages = help_pages(canvas.height)
    first = page * rows
    count = f", page {page + 1} of {pages}" if pages > 1 else ""
    canvas.text(1, 0, f"All keys{count}. {MORE.format(key_words(keys['help']))}", Ink.STRONG)
    found: dict[int, str] = {}
    for row, action in enumerate(ACTIONS[first : first + rows], start=1):
        canvas.right(WORDS_COLUMN - 1, row, key_words(keys[action.name]), Ink.TARGET)
        canvas.text(WORDS_COLUMN, row, action.words, Ink.STRONG)
        more = f"Simulated rig: {action.more}" if action.simulated else action.more
        canvas.text(MORE_COLUMN, row, more)
        found[row] = action.name
    canvas.text(1, canvas.height - 1, "Mouse and touch: each of these can be clicked.", Ink.FAINT)
    return found


class CautionsPage(Board):
    """The cautions."""

    def show(self, known: Known, now_s: float) -> None:
        canvas = self.canvas()
        paint_cautions(canvas, None if known.tick is None else known.tick.mode)
        self.draw(canvas)


class HelpPage(Board):
    """All keys, page by page."""

    def __init__(self, keys: Mapping[str, str], *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.keys, self.page = keys, 0
        self.at: dict[int, str] = {}

    def show(self, known: Known, now_s: float) -> None:
        canvas = self.canvas()
        self.page = min(self.page, help_pages(canvas.height) - 1)
        self.at = paint_help(canvas, self.keys, self.page)
        self.draw(canvas)

    def next(self) -> bool:
        """Turn the page; False after the last one."""
        self.page += 1
        return self.page < help_pages(self.size.height)
