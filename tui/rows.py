"""A pane of rows: choose one with up and down, change it with left and right, or type.

It carries out what its rows want, asks twice where a row says so, and shows what came of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from firmware_py.errors import LineholdError
from firmware_py.messages import Answer
from tui.acts import Act, Ask, Pick, Put, Row, Say, Seen, Sure, Type
from tui.field import Field, asks
from tui.known import Known
from tui.row_line import RowLine
from tui.told import Told

SURE_S = 3.0  # s; enter must come again within it
ROOMY = 40  # lines of the screen from which rows stand apart
OTHERS = 5  # lines of a pane beside its rows
HINT = "↑↓ choose  ←→ change"


class RowsPane(Vertical, can_focus=True):
    """Base of the settings and the check pane."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False),
        Binding("down", "move(1)", show=False),
        Binding("left,minus", "step(-1)", show=False),
        Binding("right,plus,equals_sign", "step(1)", show=False),
        Binding("enter", "enter", show=False),
        Binding("escape", "cancel", show=False),
    ]

    DEFAULT_CSS = """
    RowsPane { height: 1fr; padding: 0 1; background: $background; color: $foreground; }
    RowsPane .rows { height: 1fr; scrollbar-size-vertical: 1; }
    RowsPane.roomy RowLine { height: 2; }
    RowsPane .title { height: 1; text-style: bold; }
    RowsPane .line { height: 1; }
    RowsPane .said { height: auto; max-height: 2; }
    RowsPane .typing { height: 1; display: none; }
    RowsPane .prompt { width: auto; height: 1; text-style: bold; }
    RowsPane OptionList { height: auto; max-height: 8; display: none; border: none; padding: 0 2; }
    RowsPane OptionList:focus { border: none; }
    RowsPane OptionList > .option-list--option-highlighted { color: $background;
        background: $accent; text-style: bold; }
    """
    TITLE = ""

    def __init__(self, rows: tuple[Row, ...], *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.rows = rows
        self.chosen = 0
        self.seen: Seen | None = None
        self._lines = [RowLine(number, row) for number, row in enumerate(rows)]
        self._sure: tuple[Sure, float] | None = None
        self._said = ""
        self._before: Answer | None = None  # the newest answer when something was asked for
        self._waiting = False
        self.field, self.choices = Field(), OptionList(compact=True)
        self._prompt, self._hint, self._words = Told("prompt"), Told("line"), Told("said")

    def compose(self) -> ComposeResult:
        yield from self.above()
        with VerticalScroll(classes="rows", can_focus=False):
            yield from self._lines
        yield self._hint
        yield self._words
        with Horizontal(classes="typing"):
            yield self._prompt
            yield self.field
        yield self.choices
        yield from self.below()

    def above(self) -> Iterator[Static]:
        """What stands over the rows."""
        yield Static(self.TITLE, classes="title", markup=False)

    def below(self) -> ComposeResult:
        """What stands under all."""
        yield from ()

    def on_show(self) -> None:
        self.focus()

    def show(self, known: Known, now_s: float) -> None:
        """Paint what is known now."""
        if self.app.focused is None:
            self.focus()  # or the arrows would be the app's, and nudge a target
        self.seen = seen = Seen(known, now_s, asks(self).options)
        self.set_class(self._is_roomy(), "roomy")
        stale = not known.fresh(now_s) and seen.tick is not None
        for number, line in enumerate(self._lines):
            line.paint(line.row.cell(seen), chosen=number == self.chosen, stale=stale)
        if self._sure is not None and now_s > self._sure[1]:
            self._sure = None
            self._say("Not confirmed, so nothing was sent.")
        self._hear(known)
        how = self.rows[self.chosen].cell(seen).how
        self._hint.put((f"{how}   {HINT}" if how else f"enter: type or do   {HINT}", "$dim"))
        self._words.put((self._said, "bold $warn"), confirm=self._sure is not None)

    def _is_roomy(self) -> bool:
        """Rows stand apart where all of them find room so."""
        height = self.size.height
        return self.app.size.height >= ROOMY and height >= 2 * len(self.rows) + OTHERS

    def _hear(self, known: Known) -> None:
        """A refusal as it comes, and for longer than the app's own line has it."""
        newest = known.answers[-1] if known.answers else None
        if self._waiting and newest is not None and newest is not self._before:
            self._waiting = False
            self._say("" if newest.done else f"Refused: {newest.reason}")

    def _say(self, words: str) -> None:
        self._said = words

    def action_move(self, by: int) -> None:
        self._drop()
        self.chosen = (self.chosen + by) % len(self.rows)
        self._lines[self.chosen].scroll_visible(animate=False)
        self._again()

    def action_step(self, sign: int) -> None:
        self._drop()
        if self.seen is not None:
            self.do(self.rows[self.chosen].step(self.seen, sign))

    def action_enter(self) -> None:
        if self.seen is None:
            return
        if self._sure is not None:
            sure, self._sure = self._sure[0], None
            why = self.seen.why_not()
            self.do(Say(why) if why else sure.ask)
        else:
            self.do(self.rows[self.chosen].enter(self.seen))

    def on_told_confirmed(self) -> None:
        """A click on the words that ask; a second click on the row itself confirms nothing."""
        if self._sure is not None:
            self.action_enter()

    def action_cancel(self) -> None:
        self._drop()
        self._say("")
        self._again()

    def _drop(self) -> None:
        """Anything but a second enter cancels what was to be confirmed."""
        if self._sure is not None:
            self._sure = None
            self._say("Not confirmed, so nothing was sent.")

    def do(self, act: Act) -> None:
        """Carry out what a row wants."""
        match act:
            case Ask():
                self._ask(act)
            case Sure(words=words):
                self._sure = (act, (self.seen.now_s if self.seen else 0.0) + SURE_S)
                self._say(words)
            case Type(words=words):
                self._open(words)
            case Pick():
                self._list(act)
            case Put(options=options):
                asks(self).options = options
                self._say("")
            case Say(words=words):
                self._say(words)
        self._again()

    def _again(self) -> None:
        """Paint at once: a key must be seen to do something."""
        if self.seen is not None:
            self.show(self.seen.known, self.seen.now_s)

    def _ask(self, act: Ask) -> None:
        if self.seen is not None:
            answers = self.seen.known.answers
            self._before = answers[-1] if answers else None
        self._waiting = True
        self._say("")
        asks(self).ask(act.kind, *act.values, words=self.rows[self.chosen].name)

    def _open(self, words: str) -> None:
        self._prompt.put((f"{words} ", ""))
        self.field.value = ""
        self.query_one(".typing").display = True
        self.field.focus()

    def _list(self, pick: Pick) -> None:
        self._say(pick.words)
        self.choices.clear_options()
        self.choices.add_options([Option(choice) for choice in pick.choices])
        self.choices.display = True
        self.choices.highlighted = pick.at
        self.choices.focus()
        self.call_after_refresh(self._lines[self.chosen].scroll_visible, animate=False)

    def close(self) -> None:
        """Leave field and list."""
        self.query_one(".typing").display = False
        self.choices.display = False
        self.focus()

    def on_field_left(self) -> None:
        self.close()

    def on_key(self, event: events.Key) -> None:
        if event.key == "escape" and self.choices.has_focus:
            self._say("")
            self.close()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        if self._typed(event.value):
            self.close()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.close()
        self._typed(str(event.option.prompt))

    def _typed(self, text: str) -> bool:
        """False when it was refused here, with the reason; the field stays open then."""
        if self.seen is None:
            return True
        try:
            self.do(self.rows[self.chosen].typed(self.seen, text))
        except LineholdError as error:
            self._say(str(error))
            self._again()
            return False
        return True

    def on_row_line_wanted(self, event: RowLine.Wanted) -> None:
        """A click: the first on another row chooses it as well."""
        event.stop()
        if event.number != self.chosen:
            self.action_move(event.number - self.chosen)
        if event.sign is None:
            self.focus()
        elif event.sign:
            self.action_step(event.sign)
        elif self._sure is None:
            self.action_enter()
