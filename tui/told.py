"""A line or two of words that is painted anew only when the words change."""

from __future__ import annotations

from textual.content import Content
from textual.message import Message
from textual.widgets import Static

from tui.row_line import click

CONFIRM = "[ confirm ]"


class Told(Static):
    """`put` takes parts of words, each with its style."""

    DEFAULT_CSS = """
    Told { link-style: bold reverse; link-color: $accent; link-background: transparent; }
    """

    class Confirmed(Message):
        """What was asked was confirmed by a click."""

    def __init__(self, classes: str) -> None:
        super().__init__("", classes=classes, markup=False)
        self._put: object = None

    def put(self, *parts: tuple[str, str], confirm: bool = False) -> None:
        """Show the parts; confirm: with something to click behind them."""
        if self._put == (parts, confirm):
            return
        self._put = parts, confirm
        told = Content.assemble(*parts)
        if confirm:
            told = Content.assemble(told, "  ", click(CONFIRM, "bold", "confirm"))
        self.update(told)

    def action_confirm(self) -> None:
        self.post_message(self.Confirmed())
