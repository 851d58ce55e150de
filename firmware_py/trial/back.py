"""Between two passes: the person lifts the blade, drives back, sets it down, and engages again.

All by hand and eye, as on site: levers, the cue on the screen, a look over the shoulder.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.simulated.driver import Person
from firmware_py.messages import SIDES, EndTick, Side, Tick

STAND_S = 1.5  # s from the brake to the levers, and from standing at the start to lowering
LIFT_S = 1.6  # s at LIFT: some 80 mm
LIFT = 0.6  # of full lever
LOWER = 0.35
NEAR = 0.012  # m; the cue below which a person lets go
FASTER = 2.0  # times the trial's speed, on the way back
LOWER_S = 20.0  # s; then the person engages as it is, and is told what is wrong
STOPS_M = 0.1  # m before the start at which the person brakes


class Back:
    """`step` once a tick until `ready`: then it is time to engage and to drive."""

    def __init__(self, person: Person, now_s: float, speed_mps: float) -> None:
        self._person, self._speed = person, FASTER * speed_mps
        self._stage: Callable[[float, Tick], None] = self._stop
        self._since_s = now_s
        self.ready = False
        person.drive(0.0)

    def step(self, now_s: float, tick: Tick) -> None:
        """Go on."""
        self._stage(now_s, tick)

    def _next(self, now_s: float, stage: Callable[[float, Tick], None]) -> None:
        self._since_s, self._stage = now_s, stage

    def _hands(self, lever: float | None) -> None:
        for side in SIDES:
            self._person.hand(side.value, lever)

    def _stop(self, now_s: float, _: Tick) -> None:
        if now_s - self._since_s >= STAND_S:
            self._hands(LIFT)
            self._next(now_s, self._lift)

    def _lift(self, now_s: float, _: Tick) -> None:
        if now_s - self._since_s >= LIFT_S:
            self._hands(None)
            self._person.drive(-self._speed)
            self._next(now_s, self._drive)

    def _drive(self, now_s: float, tick: Tick) -> None:
        if tick.distance_m is not None and tick.distance_m <= STOPS_M + self._braking():
            self._person.drive(0.0)
            self._next(now_s, self._settle)

    def _braking(self) -> float:
        return self._speed**2  # v^2 / 2a at 0.5 m/s2

    def _settle(self, now_s: float, _: Tick) -> None:
        if now_s - self._since_s >= STAND_S + self._speed / 0.5:
            self._next(now_s, self._lower)

    def _lower(self, now_s: float, tick: Tick) -> None:
        there = [self._one(side, tick.end(side)) for side in SIDES]
        if all(there) or now_s - self._since_s >= LOWER_S:
            self._hands(None)
            self._next(now_s, self._rest)

    def _rest(self, now_s: float, _: Tick) -> None:
        """The reference must be sure again after the hands' moves."""
        self.ready = now_s - self._since_s >= STAND_S

    def _one(self, side: Side, end: EndTick) -> bool:
        """A hand on one lever by that end's cue; True when it is near enough."""
        cue = end.cue_m
        near = cue is not None and abs(cue) <= NEAR
        lever = None if near or cue is None else LOWER if cue > 0.0 else -LOWER
        self._person.hand(side.value, lever)
        return near
