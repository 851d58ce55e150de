"""The line in which a reading is typed. It never swallows the key that shuts the valves."""

from __future__ import annotations

from typing import Any, ClassVar, Protocol, cast

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input

from firmware_py.messages import Disengage, Request
from tui.keys import HOLD_NOW, textual_keys
from tui.options import Options

LETTERS = r"[0-9A-Za-z.,:%°+\-'\"]*"  # no space: it shuts the valves
MOST = 24  # letters


class Asks(Protocol):
    """What a pane needs of the app."""

    options: Options

    def ask(self, kind: type[Request], *values: Any, words: str = "") -> object:
        """Number a request and send it; words: what it is, for the line that tells of it."""
        ...


def asks(widget: Widget) -> Asks:
    """The app of a pane."""
    return cast(Asks, widget.app)


class Field(Input):
    """Enter hands the text on, escape leaves, the key of hold_now shuts the valves and leaves."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "leave", show=False)]

    DEFAULT_CSS = """
    Field { width: 1fr; height: 1; border: none; padding: 0 1; }
    Field:focus { border: none; text-style: bold; }
    """

    class Left(Message):
        """The field was left without a reading."""

    def __init__(self) -> None:
        super().__init__(restrict=LETTERS, max_length=MOST, compact=True)

    def action_leave(self) -> None:
        self.post_message(self.Left())

    async def _on_key(self, event: events.Key) -> None:
        """Normally the app's own binding comes first; the valves do not depend on that."""
        if event.key in textual_keys(asks(self).options.keys, HOLD_NOW).split(","):
            event.stop()
            event.prevent_default()
            asks(self).ask(Disengage, words="HOLD NOW")
            self.action_leave()
            return
        await super()._on_key(event)
