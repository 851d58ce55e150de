"""The rows of the settings screen: what stands there, and what a key upon it asks for.

The controller is the judge of every request: ranges are shown here, and judged there.
Offset > 0 raises the target; crossfall > 0 falls to the right.
"""

from __future__ import annotations

from firmware_py.link.frames import Bounds
from firmware_py.messages import (
    Guide,
    HoldEnd,
    Nudge,
    NudgeCrossfall,
    SetDatum,
    SetDeadBand,
    SetGate,
    SetGuide,
    Side,
    Tick,
    Undo,
)
from tui.acts import NO_DATA, Act, Ask, Cell, Pick, Row, Say, Seen, Sure, Type
from tui.step_rows import Step, range_words
from tui.units import NOT_KNOWN


def _bounds(seen: Seen) -> Bounds | None:
    return None if seen.known.hello is None else seen.known.hello.bounds


class Live:
    """A row over the tick: nothing is asked for without a fresh one."""

    name = ""
    stepped = True

    def step(self, seen: Seen, sign: int) -> Act:
        return Say(why) if (why := seen.why_not()) else self._step(seen, sign)

    def enter(self, seen: Seen) -> Act:
        return Say(why) if (why := seen.why_not()) else self._enter(seen)

    def typed(self, seen: Seen, text: str) -> Act:
        act = self._typed(seen, text)  # first, so that a slip of the finger is told as such
        return Say(why) if (why := seen.why_not()) else act

    def _step(self, seen: Seen, sign: int) -> Act:
        return self._enter(seen)

    def _enter(self, seen: Seen) -> Act:
        return Type(f"{self.name}:")

    def _typed(self, seen: Seen, text: str) -> Act:
        return Say()


class Offset(Live):
    """Height of an end's target over its datum."""

    def __init__(self, end: Side) -> None:
        self.end, self.name = end, f"{end.value.capitalize()} height"

    def cell(self, seen: Seen) -> Cell:
        units, bounds = seen.options.units, _bounds(seen)
        value = None if seen.tick is None else seen.tick.end(self.end).offset_m
        allowed = range_words(None if bounds is None else bounds.offset, units.height)
        step = units.height(seen.options.nudge_step_m)
        return Cell(units.height(value, signed=True), allowed, f"step {step}, or type")

    def _step(self, seen: Seen, sign: int) -> Act:
        return Ask(Nudge, (self.end, sign * seen.options.nudge_step_m))

    def _typed(self, seen: Seen, text: str) -> Act:
        wanted = seen.options.units.read_height(text)
        if seen.tick is None:
            return Say(NO_DATA)
        return Ask(Nudge, (self.end, wanted - seen.tick.end(self.end).offset_m))


class Crossfall(Live):
    """The crossfall target; + falls more to the right."""

    name = "Crossfall"

    def cell(self, seen: Seen) -> Cell:
        units, bounds = seen.options.units, _bounds(seen)
        value = None if seen.tick is None else seen.tick.crossfall_target
        allowed = range_words(None if bounds is None else bounds.crossfall, units.crossfall)
        step = units.crossfall(seen.options.crossfall_step)
        return Cell(units.falls(value), allowed, f"step {step}, or type; + right")

    def _step(self, seen: Seen, sign: int) -> Act:
        return Ask(NudgeCrossfall, (sign * seen.options.crossfall_step,))

    def _typed(self, seen: Seen, text: str) -> Act:
        wanted = seen.options.units.read_crossfall(text)
        if seen.tick is None:
            return Say(NO_DATA)
        return Ask(NudgeCrossfall, (wanted - seen.tick.crossfall_target,))


class Gate(Live):
    """One half of the range gate."""

    def __init__(self, *, near: bool) -> None:
        self.near, self.name = near, f"Range gate, {'near' if near else 'far'} half"

    def cell(self, seen: Seen) -> Cell:
        units, bounds = seen.options.units, _bounds(seen)
        value = None if seen.tick is None else self._present(seen.tick)
        allowed = range_words(None if bounds is None else bounds.gate, units.height)
        step = units.height(seen.options.gate_step_m)
        return Cell(units.height(value), allowed, f"step {step}, or type")

    def _present(self, tick: Tick) -> float:
        return tick.gate_near_m if self.near else tick.gate_far_m

    def _step(self, seen: Seen, sign: int) -> Act:
        if seen.tick is None:
            return Say(NO_DATA)
        return self._set(seen.tick, self._present(seen.tick) + sign * seen.options.gate_step_m)

    def _typed(self, seen: Seen, text: str) -> Act:
        wanted = seen.options.units.read_height(text)
        return Say(NO_DATA) if seen.tick is None else self._set(seen.tick, wanted)

    def _set(self, tick: Tick, half_m: float) -> Act:
        halves = (half_m, tick.gate_far_m) if self.near else (tick.gate_near_m, half_m)
        return Ask(SetGate, halves)


class DeadBand(Live):
    """Half width of the dead band."""

    name = "Dead band, half"

    def cell(self, seen: Seen) -> Cell:
        units, bounds = seen.options.units, _bounds(seen)
        value = None if seen.tick is None else seen.tick.dead_band_m
        allowed = range_words(None if bounds is None else bounds.dead_band, units.height)
        step = units.height(seen.options.dead_band_step_m)
        return Cell(units.height(value), allowed, f"step {step}, or type")

    def _step(self, seen: Seen, sign: int) -> Act:
        if seen.tick is None:
            return Say(NO_DATA)
        return Ask(SetDeadBand, (seen.tick.dead_band_m + sign * seen.options.dead_band_step_m,))

    def _typed(self, seen: Seen, text: str) -> Act:
        return Ask(SetDeadBand, (seen.options.units.read_height(text),))


class Datum(Live):
    """The clearance taken as an end's target."""

    stepped = False

    def __init__(self, end: Side) -> None:
        self.end, self.name = end, f"{end.value.capitalize()} datum"

    def cell(self, seen: Seen) -> Cell:
        datum = None if seen.tick is None else seen.tick.end(self.end).datum_m
        shown = seen.options.units.height(datum) if datum is not None else "none set"
        value = NOT_KNOWN if seen.tick is None else shown
        return Cell(value, "", "enter, then enter: take the present")

    def _enter(self, seen: Seen) -> Act:
        words = f"Take what the {self.end.value} end has now as its target? Press enter again."
        return Sure(words, Ask(SetDatum, (self.end,)))


class Follows(Live):
    """The guide of an end."""

    stepped = False

    def __init__(self, end: Side) -> None:
        self.end, self.name = end, f"{end.value.capitalize()} guide"

    def cell(self, seen: Seen) -> Cell:
        value = NOT_KNOWN if seen.tick is None else seen.tick.end(self.end).guide.value
        return Cell(value, "", "enter: choose from a list")

    def _enter(self, seen: Seen) -> Act:
        guides = tuple(Guide)
        at = 0 if seen.tick is None else guides.index(seen.tick.end(self.end).guide)
        return Pick(f"The {self.end.value} end follows:", tuple(g.value for g in guides), at)

    def _typed(self, seen: Seen, text: str) -> Act:
        return Ask(SetGuide, (self.end, Guide(text)))


class Held(Live):
    """Whether the driver asked for an end to be held."""

    stepped = False

    def __init__(self, end: Side) -> None:
        self.end, self.name = end, f"{end.value.capitalize()} hold"

    def cell(self, seen: Seen) -> Cell:
        if seen.tick is None:
            return Cell(NOT_KNOWN, "", "enter: hold, or let go")
        held = seen.tick.end(self.end).held
        return Cell("held" if held else "led", "", "enter: let go" if held else "enter: hold")

    def _enter(self, seen: Seen) -> Act:
        if seen.tick is None:
            return Say(NO_DATA)
        return Ask(HoldEnd, (self.end, not seen.tick.end(self.end).held))


class Back(Live):
    """Takes the last change back."""

    name = "Undo"
    stepped = False

    def cell(self, seen: Seen) -> Cell:
        if seen.tick is None:
            return Cell(NOT_KNOWN, "", "enter: undo")
        return Cell(seen.tick.undo or "nothing to undo", "", "enter: undo" * bool(seen.tick.undo))

    def _enter(self, seen: Seen) -> Act:
        return Ask(Undo)


def setting_rows() -> tuple[Row, ...]:
    """From top to bottom."""
    left, right = Side.LEFT, Side.RIGHT
    return (
        Offset(left), Offset(right), Crossfall(), Gate(near=True), Gate(near=False), DeadBand(),
        Datum(left), Datum(right), Follows(left), Follows(right), Held(left), Held(right), Back(),
        Step("Height step", "nudge_step_m"),
        Step("Crossfall step", "crossfall_step", slope=True),
        Step("Gate step", "gate_step_m"),
        Step("Dead band step", "dead_band_step_m"),
    )  # fmt: skip
