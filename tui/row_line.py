"""One row of a pane as one line of text, whose parts can be clicked."""

from __future__ import annotations

from textual import events
from textual.content import Content
from textual.message import Message
from textual.style import Style
from textual.widgets import Static

from tui.acts import STALE, Cell, Row

NAME, VALUE, ALLOWED = 22, 25, 20  # columns
WIDE = 104  # columns from which a row also says how it is changed
LESS, MORE = "[-]", "[+]"


class RowLine(Static):
    """Paints a row; clicks become messages."""

    class Wanted(Message):
        """sign -1 or 1: the row's - or +; 0: its value was clicked; None: just chosen."""

        def __init__(self, number: int, sign: int | None) -> None:
            super().__init__()
            self.number, self.sign = number, sign

    DEFAULT_CSS = """
    RowLine { height: 1; link-style: bold; link-color: $accent; link-background: transparent;
              link-style-hover: bold reverse; link-color-hover: $accent;
              link-background-hover: transparent; }
    """

    def __init__(self, number: int, row: Row) -> None:
        super().__init__("", markup=False)
        self.number, self.row = number, row
        self._shown: tuple[object, ...] = ()

    def paint(self, cell: Cell, *, chosen: bool, stale: bool) -> None:
        """Draw what is new; the same again costs nothing."""
        wide = self.app.size.width >= WIDE
        now = (cell, chosen, stale, wide)
        if now != self._shown:
            self._shown = now
            self.update(self._content(cell, chosen, stale and cell.live, wide), layout=False)

    def _content(self, cell: Cell, chosen: bool, stale: bool, wide: bool) -> Content:
        name_style = "bold $accent" if chosen else ""
        value = f"{cell.value} {STALE}" if stale else cell.value
        parts = [
            Content.assemble((f"{'> ' if chosen else '  '}{self.row.name:<{NAME}}", name_style)),
            self._button(LESS, "less"),
            Content(" "),
            click(f"{value:<{VALUE}}", "bold $warn" if stale else "bold", "enter"),
            self._button(MORE, "more"),
            Content.assemble((f"  {cell.allowed:<{ALLOWED}}", "$dim")),
        ]
        if wide:
            parts.append(Content.assemble((f"  {cell.how}", "$dim")))
        return Content("").join(parts)

    def _button(self, words: str, action: str) -> Content:
        if not self.row.stepped:
            return Content(" " * len(words))
        return click(words, "bold $accent", action)

    def action_less(self) -> None:
        self.post_message(self.Wanted(self.number, -1))

    def action_more(self) -> None:
        self.post_message(self.Wanted(self.number, 1))

    def action_enter(self) -> None:
        self.post_message(self.Wanted(self.number, 0))

    def on_click(self, event: events.Click) -> None:
        """A click beside the parts chooses the row."""
        if "@click" not in event.style.meta:
            self.post_message(self.Wanted(self.number, None))


def click(words: str, style: str, action: str) -> Content:
    """Words that run an action of their widget when clicked."""
    return Content.assemble((words, style)).stylize(Style.from_meta({"@click": action}))
