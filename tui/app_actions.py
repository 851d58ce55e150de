"""What each action of the dashboard does. The names are those of tui/keys.py.

An action that moves something for good asks first: its Pending has the answers that are taken,
for so long; anything else cancels it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, Protocol

from firmware_py.link.frames import Drive, HoldEnable, Lever, Stop
from firmware_py.messages import (
    REFUSED,
    SIDES,
    AcceptTransition,
    Engage,
    HoldEnd,
    MarkPin,
    Nudge,
    NudgeCrossfall,
    RefuseTransition,
    Request,
    SetDatum,
    Side,
    Undo,
)
from tui import colours
from tui.app_asks import Asks, Said
from tui.keys import SCREENS
from tui.known import Known
from tui.options import Options

SURE_S = 3.0  # s in which enter confirms
QUIT_S = 10.0  # s in which the question of how to leave stands
ENGAGE_WORDS = "Engage? Press enter. Prototype: keep people away."
QUIT_WORDS = "Leave? enter: leave, the run goes on.  x: stop the run.  Another key: stay."
DRIVE_MPS = 0.5  # m/s of the simulated person
STANDING_MPS = 0.02  # m/s; slower is standing
LEVER = 0.5  # of full
GRAVE = ("datum", "guide")  # to take these back may leave an end without a target
ENDS = (frozenset({Side.LEFT}), frozenset({Side.RIGHT}), frozenset(SIDES))  # tab goes through them


class Pending(NamedTuple):
    """A question: words, keys with what they do, and until when."""

    words: str
    answers: dict[str, Callable[[], None]]
    until_s: float


class Desk(Protocol):
    """What the actions need of the app."""

    options: Options
    theme: str
    known: Known
    asks: Asks
    pending: Pending | None

    def now(self) -> float: ...
    def say(self, said: Said) -> None: ...
    def ask(self, kind: type[Request], *values: Any, words: str = "") -> bool: ...
    def show_pane(self, name: str) -> None: ...
    def show_help(self) -> None: ...
    def ask_for_mark(self) -> None: ...
    def set_muted(self, muted: bool) -> None: ...
    def leave(self, words: str) -> None: ...


class Actions:
    """`do(name)` does one. Keeps which end is chosen and what the simulated hands do."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.chosen = ENDS[0]
        self.driving: bool | None = None  # None: not touched by us yet
        self.enabled: bool | None = None  # None: not touched by us yet
        self.levers: dict[Side, float] = {}

    @property
    def sides(self) -> list[Side]:
        """The chosen ends, the left one first."""
        return [side for side in SIDES if side in self.chosen]

    @property
    def chosen_words(self) -> str:
        return "both" if len(self.chosen) == len(SIDES) else self.sides[0].value

    def do(self, name: str) -> None:
        """Do an action by its name."""
        if name in SCREENS:
            self.desk.show_pane(name.removeprefix("show_"))
            return
        if name.startswith("sim_"):
            hello = self.desk.known.hello
            if hello is None or not hello.simulated:
                self.desk.say(Said("Only a simulated rig has hands for that.", bad=True))
                return
        getattr(self, name)()

    def _sure(self, words: str, then: Callable[[], None]) -> None:
        self.desk.pending = Pending(words, {"enter": then}, self.desk.now() + SURE_S)

    # what shuts and what opens

    def hold_now(self) -> None:
        self.desk.asks.hold(self.desk.now())

    def engage(self) -> None:
        self._sure(ENGAGE_WORDS, lambda: self._ask(Engage, words="Engage"))

    def hold_end(self) -> None:
        tick = self.desk.known.tick
        held = tick is not None and all(tick.end(side).held for side in self.sides)
        for side in self.sides:
            words = f"{'let go' if held else 'hold'} {side}"
            self._ask(HoldEnd, side, not held, words=words)

    # targets

    def choose_end(self) -> None:
        self.choose(ENDS[(ENDS.index(self.chosen) + 1) % len(ENDS)])

    def choose(self, ends: frozenset[Side]) -> None:
        """Take these ends for what follows."""
        self.chosen = ends
        self.desk.say(Said(f"Chosen: {self.chosen_words}"))

    def datum(self) -> None:
        def send() -> None:
            for side in self.sides:
                self._ask(SetDatum, side, words=f"datum {side}")

        ends = "of both ends" if len(self.sides) > 1 else f"of the {self.chosen_words} end"
        self._sure(f"Take the present clearance {ends} as datum? Press enter.", send)

    def raise_target(self) -> None:
        self._nudge(1)

    def lower_target(self) -> None:
        self._nudge(-1)

    def _nudge(self, sign: int) -> None:
        options = self.desk.options
        step = sign * options.nudge_step_m
        for side in self.sides:
            words = f"target {side} {options.units.height(step, signed=True)}"
            self._ask(Nudge, side, step, words=words)

    def crossfall_less(self) -> None:
        self._fall(-1)

    def crossfall_more(self) -> None:
        self._fall(1)

    def _fall(self, sign: int) -> None:
        options = self.desk.options
        step = sign * options.crossfall_step
        shown = f"{step * 100:+.2f} %"
        self._ask(NudgeCrossfall, step, words=f"crossfall {shown}")

    def undo(self) -> None:
        tick = self.desk.known.tick
        what = tick.undo if tick is not None else ""
        words = f"undo {what}".rstrip()
        if what.startswith(GRAVE):
            self._sure(f"Undo {what}? Press enter.", lambda: self._ask(Undo, words=words))
        else:
            self._ask(Undo, words=words)

    def _ask(self, kind: type[Request], *values: Any, words: str) -> None:
        self.desk.ask(kind, *values, words=words)

    # the dashboard itself

    def mark(self) -> None:
        self.desk.ask_for_mark()

    def pin(self) -> None:
        self._ask(MarkPin, words="at pin")

    def transition(self) -> None:
        tick = self.desk.known.tick
        if tick is not None and tick.transition == REFUSED:
            self._ask(AcceptTransition, words="accept transition")
        else:
            self._ask(RefuseTransition, words="refuse transition")

    def mute(self) -> None:
        self.desk.set_muted(not self.desk.options.muted)
        self.desk.say(Said("Sound off" if self.desk.options.muted else "Sound on"))

    def units(self) -> None:
        self.desk.options = replace(self.desk.options, units=self.desk.options.units.other)
        self.desk.say(Said(f"Lengths in {self.desk.options.units.height_unit}"))

    def theme(self) -> None:
        name = colours.after(self.desk.theme)
        self.desk.options = replace(self.desk.options, theme=name)
        self.desk.theme = name
        self.desk.say(Said(f"Colours: {name}"))

    def help(self) -> None:
        self.desk.show_help()

    def quit(self) -> None:
        answers = {"enter": lambda: self.desk.leave(""), "x": self._stop}
        self.desk.pending = Pending(QUIT_WORDS, answers, self.desk.now() + QUIT_S)

    def _stop(self) -> None:
        number = self.desk.asks.next()
        self.desk.asks.send(Stop(number), number, "stop the run", self.desk.now())

    # the hands of a simulated rig

    def sim_drive(self) -> None:
        driving = not self._drives()
        words = (
            f"drive at {self.desk.options.units.speed(DRIVE_MPS)}" if driving else "stop driving"
        )
        if self._bench(lambda n: Drive(n, DRIVE_MPS if driving else 0.0), words):
            self.driving = driving

    def _drives(self) -> bool:
        """Whether it drives, by our last word, or by its speed before that."""
        if self.driving is not None:
            return self.driving
        tick = self.desk.known.tick
        return tick is not None and abs(tick.speed_mps or 0.0) > STANDING_MPS

    def sim_enable(self) -> None:
        on = not self._enable_held()
        if self._bench(lambda n: HoldEnable(n, on), "hold enable" if on else "let enable go"):
            self.enabled = on

    def _enable_held(self) -> bool:
        if self.enabled is not None:
            return self.enabled
        tick = self.desk.known.tick
        return tick is not None and "enable released" not in tick.faults

    def sim_raise(self) -> None:
        self._lever(LEVER)

    def sim_lower(self) -> None:
        self._lever(-LEVER)

    def _lever(self, lever: float) -> None:
        """The same key again lets go."""
        same = all(self.levers.get(side) == lever for side in self.sides)
        for side in self.sides:
            self._hand(side, None if same else lever)

    def sim_release(self) -> None:
        for side in SIDES:
            self._hand(side, None)

    def _hand(self, side: Side, lever: float | None) -> None:
        what = "let go" if lever is None else f"{lever * 100:+.0f} %"
        if not self._bench(lambda n: Lever(n, side, lever), f"lever {side} {what}"):
            return
        self.levers.pop(side, None)
        if lever is not None:
            self.levers[side] = lever

    def _bench(self, make: Callable[[int], Drive | Lever | HoldEnable], words: str) -> bool:
        number = self.desk.asks.next()
        return self.desk.asks.send(make(number), number, words, self.desk.now())
