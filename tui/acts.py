"""What a row of the settings or the check screen wants done. No widget here: rows are plain.

A row never sends anything itself; it gives an act, and the pane carries it out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from firmware_py.messages import Request, Tick
from tui.known import Known
from tui.options import Options

STALE = "STALE"
NO_DATA = "There is no fresh data from the loop, so nothing is sent."
LOOKS_ONLY = "This dashboard may only look; nothing can be changed from it."


@dataclass(frozen=True)
class Ask:
    """Send a request; its number is put before the values."""

    kind: type[Request]
    values: tuple[Any, ...] = ()


@dataclass(frozen=True)
class Sure:
    """Send a request once enter is pressed again."""

    words: str
    ask: Ask


@dataclass(frozen=True)
class Type:
    """Open the field; what is typed goes to the row's `typed`."""

    words: str


@dataclass(frozen=True)
class Pick:
    """Open a list; the choice goes to the row's `typed`. at: the present one."""

    words: str
    choices: tuple[str, ...]
    at: int = 0


@dataclass(frozen=True)
class Put:
    """Put other options in place of the app's."""

    options: Options


@dataclass(frozen=True)
class Say:
    """Nothing but a sentence; '' clears the last one."""

    words: str = ""


Act = Ask | Sure | Type | Pick | Put | Say


@dataclass(frozen=True)
class Seen:
    """What a row may look at."""

    known: Known
    now_s: float
    options: Options

    @property
    def tick(self) -> Tick | None:
        return self.known.tick

    def why_not(self) -> str:
        """Why nothing may be sent now; '' when something may."""
        if self.known.lost:
            return self.known.lost
        if not self.known.fresh(self.now_s):
            return NO_DATA
        hello = self.known.hello
        return LOOKS_ONLY if hello is not None and not hello.may_ask else ""


@dataclass(frozen=True)
class Cell:
    """What a row shows: its value, what is allowed, and how it is changed."""

    value: str
    allowed: str = ""
    how: str = ""
    live: bool = True  # the value comes from the loop, and may be stale


class Row(Protocol):
    """One row. stepped: it has - and +."""

    name: str
    stepped: bool

    def cell(self, seen: Seen) -> Cell:
        """What to show now."""
        ...

    def step(self, seen: Seen, sign: int) -> Act:
        """The - (sign -1) or + (sign 1) of the row."""
        ...

    def enter(self, seen: Seen) -> Act:
        """Enter, or a click on the value."""
        ...

    def typed(self, seen: Seen, text: str) -> Act:
        """What was typed or picked. ReadingError or OptionsError with the reason."""
        ...
