"""Keys and clicks of the dashboard: what each does on which screen.

The key that shuts the valves comes first everywhere; escape does so too, out of a field as well.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from textual.widgets import Input, TextArea

from tui.app_actions import QUIT_WORDS
from tui.app_asks import Said
from tui.app_foot import Foot
from tui.app_head import Head
from tui.app_pages import HelpPage
from tui.canvas import Board
from tui.drive import DrivePane
from tui.keys import HOLD_KEY, HOLD_NOW, textual_keys

if TYPE_CHECKING:
    from tui.app import Dashboard

WALKING = frozenset(  # keys that a widget with the focus takes for itself
    (
        "up",
        "down",
        "left",
        "right",
        "tab",
        "shift+tab",
        "enter",
        "home",
        "end",
        "pageup",
        "pagedown",
    )
)
START, HELP = "start", "help"  # pages in place of a pane
NOT_CONFIRMED = Said("Not confirmed; nothing was sent.")
NOT_MARKED = Said("Space shuts the valves, in a note too. Nothing was marked.", bad=True)
STILL_TYPED_S = 1.0  # s after the last letter of a note that a hold broke off (chosen)


class Hands:
    """Turns keys and clicks into actions of the app."""

    def __init__(self, app: Dashboard) -> None:
        self.app = app
        names = app.options.keys
        self._by_key = {k: name for name in names for k in textual_keys(names, name).split(",")}
        self._by_key["ctrl+c"] = "quit"
        self._typed_until_s = -math.inf

    def took(self, key: str) -> bool:
        """True when the key was for the dashboard, not for the widget with the focus."""
        app = self.app
        if key == "escape":
            self._escape()
            return app.focused is None
        if self._breaks_note_off(key) or self._still_typed(key):
            return True
        if isinstance(app.focused, (Input, TextArea)):
            return False
        if app.pane == START:
            return self._dismiss(key)
        answered = app.pending is not None and self._answered(key)
        if answered or (app.pane == HELP and self._turned(key)):
            return True
        walks = app.focused is not None and key in WALKING
        action = None if walks else self._by_key.get(key)
        if action is not None:
            self.act(action)
        return action is not None

    def act(self, name: str) -> None:
        """Do an action and show it."""
        self.cancel()
        self.app.deeds.do(name)
        self.app.draw()

    def cancel(self) -> None:
        """Take back what was asked."""
        if self.app.pending is not None:
            self.app.pending = None
            self.app.say(NOT_CONFIRMED)

    def _escape(self) -> None:
        """Out of everything, and both valves shut."""
        self.cancel()
        self.app.close_note()
        if self.app.pane in (START, HELP):
            self.app.show_pane(self.app.before)
        self.act(HOLD_NOW)

    def _breaks_note_off(self, key: str) -> bool:
        """The key that shuts the valves does so out of a note as well."""
        field = self.app.focused
        if not (isinstance(field, Input) and field.id == "note" and self._holds(key)):
            return False
        self._escape()
        self.app.say(NOT_MARKED)
        self._typed_until_s = self.app.now() + STILL_TYPED_S
        self.app.draw()
        return True

    def _still_typed(self, key: str) -> bool:
        """What is typed on after that belonged to the note: its letters must not engage, drive or
        let the enable go."""
        if self._holds(key) or self.app.now() >= self._typed_until_s:
            return False
        self._typed_until_s = self.app.now() + STILL_TYPED_S
        return True

    def _holds(self, key: str) -> bool:
        return key == HOLD_KEY or self._by_key.get(key) == HOLD_NOW

    def _dismiss(self, key: str) -> bool:
        """Any key takes the cautions away; the one that shuts the valves also does that."""
        self.app.show_pane(self.app.before)
        if self._holds(key):
            self.act(HOLD_NOW)
        return True

    def _turned(self, key: str) -> bool:
        """On the page of keys: the next one, or back; any other action's key does its action."""
        turns = self._by_key.get(key) == "help"
        if turns and self.app.query_one(HelpPage).next():
            self.app.draw()
            return True
        self.app.show_pane(self.app.before)
        return turns or key not in self._by_key

    def _answered(self, key: str) -> bool:
        """Whether the key is an answer to what was asked; any other cancels it."""
        app = self.app
        pending, app.pending = app.pending, None
        if pending is None or key not in pending.answers or app.now() > pending.until_s:
            app.say(NOT_CONFIRMED)
            return key == "enter"
        pending.answers[key]()
        app.draw()
        return True

    def clicked(self, board: Board, x: int, y: int) -> None:
        """Everything that names an action can be clicked."""
        action: str | None = None
        if isinstance(board, Foot) and y == 0:
            if self.app.pending is not None:
                self._answered("x" if self._on_stop(x) else "enter")
        elif isinstance(board, (Head, Foot)):
            action = board.action_at(x, y)
        elif board.id == START:
            self._dismiss("")
        elif isinstance(board, HelpPage):
            self.app.show_pane(self.app.before)
            action = board.at.get(y)
        elif isinstance(board, DrivePane) and (side := board.side_at(x, y)) is not None:
            self.app.deeds.choose(frozenset({side}))
        if action is not None:
            self.act(action)

    def _on_stop(self, x: int) -> bool:
        """Whether a click on the question of how to leave was on its second answer."""
        asked = self.app.pending is not None and self.app.pending.words == QUIT_WORDS
        return asked and x > QUIT_WORDS.index("x:")
