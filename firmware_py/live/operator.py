"""A simulated person at the simulated rig: sets the datum, engages, drives, stops at the end.

It sees ticks and answers and nothing else, as a person sees the screen; it never sees the truth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from firmware_py.live.cautions import READ_S
from firmware_py.messages import (
    BAR_GUIDES,
    Answer,
    AnyRequest,
    Disengage,
    Engage,
    Link,
    Mode,
    SetDatum,
    Side,
    Tick,
)

GAVE_UP = "the driver gave up"
SURE = 0.002  # m, sd of the clearance at which a person sets the datum
SEARCH_S = 20.0  # no reference for so long after the start: the person gives up
PRESS_S = 0.5  # between two things that a person does with the hands
RETRY_S = 1.0  # between two attempts at the same thing
TRIES = 8
LOST_S = 0.5  # of neutral while driving: then the person stops the machine
STILL = 0.05  # m/s; slower than this is standing
LEVER = 0.3  # of full: how a person nudges a lever, past the spool's overlap
NEAR = 0.003  # m; a cue below this is not worth a hand on the lever


class PersonLike(Protocol):
    """The body: what a simulated person can do at the machine."""

    def cue(self, now_s: float, lateral_m: float | None) -> None: ...

    def drive(self, speed_mps: float) -> None: ...

    def enable(self, held: bool) -> None: ...

    def hand(self, end: str, lever: float | None) -> None: ...


class Operator:
    """`doing` says in words what the person is at; `failed` why the job was given up."""

    def __init__(self, person: PersonLike, speed_mps: float, way_m: float) -> None:
        self._person, self._speed, self._way = person, speed_mps, way_m
        self._stage: Callable[[Tick], None] = self._look
        self._asked: list[AnyRequest] = []
        self._waiting: dict[int, bool] = {}
        self._number = 0
        self._first_s: float | None = None
        self._since_s = self._neutral_s = self._next_s = 0.0
        self._from_m: float | None = None
        self._tries = 0
        self.failed = ""
        self.finished = False

    @property
    def doing(self) -> str:
        return self._stage.__name__.lstrip("_")

    def take(self) -> Sequence[AnyRequest]:
        """What the person has asked for since the last tick."""
        asked, self._asked = self._asked, []
        return asked

    def hear(self, answer: Answer) -> None:
        """What became of something that was asked for."""
        if answer.number in self._waiting:
            if answer.done:
                self._waiting[answer.number] = True
            else:
                del self._waiting[answer.number]

    def put(self, tick: Tick) -> None:
        """Look at the screen."""
        now = tick.time_s
        if self._first_s is None:
            self._first_s = self._since_s = now
            self._next_s = now + READ_S
        self._person.cue(now, tick.steer_m)
        if tick.mode is Mode.CUE_ONLY:
            self._move_by_hand(tick)
        if now >= self._next_s:
            self._stage(tick)

    def _go(self, stage: Callable[[Tick], None], tick: Tick, wait_s: float = PRESS_S) -> None:
        self._stage, self._since_s, self._next_s = stage, tick.time_s, tick.time_s + wait_s
        self._tries = 0
        self._waiting.clear()

    def _give_up(self, tick: Tick, why: str) -> None:
        self.failed = why
        self._leave(tick)

    def _leave(self, tick: Tick) -> None:
        self._person.drive(0.0)
        self._ask(Disengage)
        self._go(self._stop, tick)

    def _ask(self, kind: Callable[..., AnyRequest], *values: object) -> None:
        self._number += 1
        self._waiting[self._number] = False
        self._asked.append(kind(self._number, *values))

    def _attempt(self, tick: Tick, *wanted: tuple[Callable[..., AnyRequest], object]) -> bool:
        """Ask until all are done; True then. Gives up with the reason shown on the screen."""
        if len(self._waiting) == len(wanted) and all(self._waiting.values()):
            return True
        if self._tries >= TRIES:
            self._give_up(tick, tick.why)
            return False
        self._tries += 1
        self._next_s = tick.time_s + RETRY_S
        self._waiting.clear()
        for kind, value in wanted:
            self._ask(kind, *(() if value is None else (value,)))
        return False

    def _look(self, tick: Tick) -> None:
        """Wait until every bar that leads an end is sure of its reference."""
        needed = [side for side in Side if tick.end(side).guide in BAR_GUIDES]
        sure = {
            bar.end
            for bar in tick.bars
            if bar.link is Link.TRACKING and (bar.clearance_sd_m or 1.0) < SURE
        }
        if sure.issuperset(needed):
            self._go(self._set_datum, tick)
        elif tick.time_s - self._since_s > SEARCH_S:
            self._give_up(tick, f"no reference came into view in {SEARCH_S:.0f} s")

    def _set_datum(self, tick: Tick) -> None:
        needed = [side for side in Side if tick.end(side).guide in BAR_GUIDES]
        if self._attempt(tick, *((SetDatum, side) for side in needed)):
            self._person.enable(True)
            self._go(self._engage, tick)

    def _engage(self, tick: Tick) -> None:
        """Ask until the automatic is engaged; never drive off before it is."""
        done = tick.mode is Mode.CUE_ONLY or self._attempt(tick, (Engage, None))
        if done and tick.mode is not Mode.NEUTRAL:
            self._person.drive(self._speed)
            self._neutral_s = tick.time_s
            self._go(self._drive, tick, 0.0)
        elif done:  # it was engaged, and has been lost again already
            self._waiting.clear()
            self._next_s = tick.time_s + RETRY_S

    def _drive(self, tick: Tick) -> None:
        """Drive to the end; stop when automatic is lost, and try to get it back."""
        if tick.mode is not Mode.NEUTRAL:
            self._neutral_s = tick.time_s
        if self._from_m is None:
            self._from_m = tick.distance_m
        elif tick.distance_m is not None and tick.distance_m - self._from_m >= self._way:
            self._leave(tick)
        elif tick.time_s - self._neutral_s > LOST_S:
            self._person.drive(0.0)
            self._go(self._engage, tick, RETRY_S)

    def _stop(self, tick: Tick) -> None:
        if tick.speed_mps is None or abs(tick.speed_mps) < STILL:
            self._person.enable(False)
            self.finished = True

    def _move_by_hand(self, tick: Tick) -> None:
        """Without valves the person follows the cues with the levers."""
        for side in Side:
            cue = tick.end(side).cue_m
            driving = self._stage == self._drive and cue is not None and abs(cue) > NEAR
            lever = None if not driving or cue is None else LEVER if cue > 0.0 else -LEVER
            self._person.hand(side.value, lever)
