"""The check screen: a staff or tape reading at a blade end, against what is believed there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from firmware_py.messages import IN_A_ROW
from tui import check_words
from tui.check_rows import Form, check_rows
from tui.known import Known
from tui.rows import RowsPane
from tui.told import Told


class Check(RowsPane):
    """Rows to measure with, the newest result, and a table of all checks."""

    DEFAULT_CSS = """
    Check .rows { height: auto; }
    Check .due { height: auto; max-height: 2; }
    Check .result { height: auto; }
    Check .table { height: 1fr; scrollbar-size-vertical: 1; }
    """
    TITLE = "CHECK LEVEL"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("pageup", "page(-1)", show=False),
        Binding("pagedown", "page(1)", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:
        self.form = Form()
        super().__init__(check_rows(self.form), id=id)
        self._due = Told("due")
        self._result = Told("result")
        self._table = Static("", markup=False)
        self._scroll = VerticalScroll(classes="table", can_focus=False)
        self._tabled: object = None

    def above(self) -> Iterator[Static]:
        yield self._due

    def below(self) -> ComposeResult:
        yield self._result
        with self._scroll:
            yield self._table

    def action_page(self, sign: int) -> None:
        """The table, where it is longer than its room."""
        if sign > 0:
            self._scroll.scroll_page_down(animate=False)
        else:
            self._scroll.scroll_page_up(animate=False)

    def show(self, known: Known, now_s: float) -> None:
        super().show(known, now_s)
        seen = self.seen
        if seen is None:
            return
        words = check_words.due(seen)
        style = "bold $warn" if words.startswith(check_words.DUE) else "$dim"
        self._due.put((f"{self.TITLE}  ", "bold"), (words, style))
        units = seen.options.units
        if self._tabled == (now := (len(known.checks), units, known.hello)):
            return
        self._tabled = now
        newest = known.checks[-1] if known.checks else None
        tolerance = None if known.hello is None else known.hello.bounds.check_tolerance_m
        lines = check_words.result(newest, tolerance, units)
        grave = newest is not None and newest.in_a_row >= IN_A_ROW
        last = (lines.pop(), "bold $bad" if grave else "bold")
        self._result.put(*((f"{line}\n", "") for line in lines), last)
        self._table.update(Content("\n".join(check_words.table(known.checks, units))))
