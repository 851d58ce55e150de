"""The health screen: devices, faults and what to do, the loop, the computer, the recording."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from tui import health_words as words
from tui.health_words import Fact, Grave
from tui.known import Known

NAME, FAULT = 13, 22  # columns of a fact's name
GAP = 2
LEAST_TWO = 100  # columns from which two stand side by side
ROOMY = 30  # lines of the screen from which blocks stand apart
EVERY_S = 0.5  # figures of a minute need no more
STYLES = {Grave.WELL: "", Grave.LOOK: "bold $warn", Grave.BAD: "bold $bad"}


class Health(VerticalScroll, can_focus=True):
    """Scrolls with up and down where the screen is small."""

    DEFAULT_CSS = """
    Health { height: 1fr; padding: 0 1; background: $background; color: $foreground;
             scrollbar-size-vertical: 1; }
    Health Static { height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._text = Static("", markup=False)
        self._drawn_s = 0.0
        self._drawn: object = None

    def compose(self) -> ComposeResult:
        yield self._text

    def on_show(self) -> None:
        self.focus()

    def show(self, known: Known, now_s: float) -> None:
        """Paint what is known now: at once what changed, the figures twice a second."""
        if self.app.focused is None:
            self.focus()
        width = max(self.size.width - 3, 20)
        faults = None if known.tick is None else known.tick.faults
        now = (width, known.fresh(now_s), known.lost, faults, known.devices, known.host)
        if now == self._drawn and 0.0 <= now_s - self._drawn_s < EVERY_S:
            return
        self._drawn, self._drawn_s = now, now_s
        self._text.update(page(known, now_s, width, roomy=self.app.size.height >= ROOMY))


def page(known: Known, now_s: float, width: int, *, roomy: bool = True) -> Content:
    """The whole screen; two columns where they fit. roomy: blank lines between the blocks."""
    two = width >= LEAST_TWO
    half = (width - GAP) // 2 if two else width
    apart = [Content("")] if roomy else []
    devices = _block(words.devices_head(known, now_s), words.devices(known, now_s), half)
    loop = _block("LOOP", words.loop(known, now_s), half)
    link = _block("LINK", words.link(known), half)
    computer = _block(words.host_head(known, now_s), words.computer(known, now_s), half)
    faults = _block("FAULTS", words.faults(known, now_s, more=roomy), width, FAULT)
    left, right = [*devices, *apart, *loop], [*computer, *apart, *link]
    body = _beside(left, right, half) if two else [*left, *apart, *right]
    return Content("\n").join([*faults, *apart, *body])


def _block(title: str, facts: Sequence[Fact], width: int, name: int = NAME) -> list[Content]:
    lines = [Content.assemble((title, "bold"))]
    for fact in facts:
        lines += _lines(fact, width, name)
    return lines


def _lines(fact: Fact, width: int, name_width: int) -> list[Content]:
    """A fact on as many lines as it takes, its sign before its name."""
    wrapped = textwrap.wrap(fact.words, max(width - name_width - 3, 10)) or [""]
    style = STYLES[fact.grave]
    found = []
    for number, line in enumerate(wrapped):
        sign, name = (fact.grave.value, fact.name) if number == 0 else ("", "")
        head = (f"{sign:<2} {name:<{name_width}}", style or "$dim")
        found.append(Content.assemble(head, (line, style)))
    return found


def _beside(left: list[Content], right: list[Content], half: int) -> list[Content]:
    """Two columns of lines as one."""
    rows = max(len(left), len(right))
    left = left + [Content("")] * (rows - len(left))
    right = right + [Content("")] * (rows - len(right))
    return [
        Content.assemble(one, " " * (half + GAP - len(one.plain)), other)
        for one, other in zip(left, right, strict=True)
    ]
