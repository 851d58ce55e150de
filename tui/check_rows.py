"""The rows of the check screen: which end, tape or staff, the reading, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass

from firmware_py.messages import Check, CheckLevel, Nudge, Side
from tui.acts import Act, Ask, Cell, Row, Say, Seen, Sure, Type
from tui.setting_rows import Live

TAPE, STAFF = "tape, reference down", "staff, against a value"
EXPECTED_FIRST = "Give the reading that the staff should show first (the row above)."
AGAIN = "It was sent already. Send it once more? Press enter."


@dataclass
class Form:
    """What the driver has chosen. sent: how many checks there were when an offset was sent."""

    end: Side = Side.LEFT
    staff: bool = False
    expected_m: float | None = None
    sent: int = 0


class Own:
    """A row of the form alone: nothing is sent."""

    name = ""
    stepped = True

    def __init__(self, form: Form) -> None:
        self.form = form

    def step(self, seen: Seen, sign: int) -> Act:
        return self.enter(seen)

    def enter(self, seen: Seen) -> Act:
        return Say()

    def typed(self, seen: Seen, text: str) -> Act:
        return Say()


class End(Own):
    """The end that is measured."""

    name = "Blade end"

    def cell(self, seen: Seen) -> Cell:
        return Cell(self.form.end.value, "", "← → or enter: the other end", live=False)

    def enter(self, seen: Seen) -> Act:
        self.form.end = self.form.end.other
        return Say()


class Tool(Own):
    """Tape from the reference down, or staff with the reading that it should show."""

    name = "Measured with"

    def cell(self, seen: Seen) -> Cell:
        words = STAFF if self.form.staff else TAPE
        return Cell(words, "", "← → or enter: tape or staff", live=False)

    def enter(self, seen: Seen) -> Act:
        self.form.staff = not self.form.staff
        return Say()


class Expected(Own):
    """What the staff should show with the end on its target."""

    name = "It should show"
    stepped = False

    def cell(self, seen: Seen) -> Cell:
        if not self.form.staff:
            return Cell("known, with a tape", "", "a tape needs no value here", live=False)
        expected = self.form.expected_m
        value = "to be typed" if expected is None else seen.options.units.height(expected)
        return Cell(value, "", "enter: type it", live=False)

    def enter(self, seen: Seen) -> Act:
        if not self.form.staff:
            return Say("With a tape the controller knows what it should show.")
        return Type(f"The staff should show, in {seen.options.units.height_unit}:")

    def typed(self, seen: Seen, text: str) -> Act:
        self.form.expected_m = seen.options.units.read_height(text)
        return Say()


class Reading(Live):
    """The reading; typing it sends the check."""

    name = "Reading"
    stepped = False

    def __init__(self, form: Form) -> None:
        self.form = form

    def cell(self, seen: Seen) -> Cell:
        return Cell("type it", "larger: end is lower", "enter: type it, enter: send", live=False)

    def _enter(self, seen: Seen) -> Act:
        if self.form.staff and self.form.expected_m is None:
            return Say(EXPECTED_FIRST)
        tool = "staff" if self.form.staff else "tape"
        unit = seen.options.units.height_unit
        return Type(f"Reading of the {tool} at the {self.form.end.value} end, in {unit}:")

    def _typed(self, seen: Seen, text: str) -> Act:
        measured = seen.options.units.read_height(text)
        expected = self.form.expected_m if self.form.staff else None
        return Ask(CheckLevel, (self.form.end, measured, expected))


class Proposed(Live):
    """The offset that would put the newest check right."""

    name = "Proposed offset"
    stepped = False

    def __init__(self, form: Form) -> None:
        self.form = form

    def cell(self, seen: Seen) -> Cell:
        check = _newest(seen)
        if check is None:
            return Cell("no check yet", "", "", live=False)
        sent = "sent" if self._was_sent(seen) else "not sent"
        value = f"{check.end.value} {seen.options.units.height(check.offset_m, signed=True)}"
        return Cell(value, sent, "enter: nudge the target by it", live=False)

    def _was_sent(self, seen: Seen) -> bool:
        return self.form.sent == len(seen.known.checks)

    def _enter(self, seen: Seen) -> Act:
        check = _newest(seen)
        if check is None:
            return Say("There is no check yet.")
        ask = Ask(Nudge, (check.end, check.offset_m))
        if self._was_sent(seen):
            return Sure(AGAIN, ask)
        self.form.sent = len(seen.known.checks)
        return ask


def _newest(seen: Seen) -> Check | None:
    return seen.known.checks[-1] if seen.known.checks else None


def check_rows(form: Form) -> tuple[Row, ...]:
    """From top to bottom."""
    return End(form), Tool(form), Expected(form), Reading(form), Proposed(form)
