"""Modes and interlocks: from the facts of one tick to what each valve may do, and why.

Pure: `decide` sees Facts and the guard's few memories; it reads no sensor and writes no valve.
"""

from __future__ import annotations

import msgspec

from firmware_py.guard.table import BY_NAME, ROWS, Recovery, Response, Row
from firmware_py.messages import SIDES, EndState, Guide, Mode, Side

SETTLE_S = 0.5  # s; how long all must be good before automatic comes back by itself
REVERSE = -0.03  # m/s; faster backwards is reversing, above the speed sensor's noise
UNSETTLED = "The tilt is not settled yet. Let the machine stand for two seconds."
STILL = 0.05  # m/s; below this for STILL_S the machine stands
STILL_S = 1.0
# asked for at every tick: to look up a member costs
LED, COAST, HOLD, OVERRIDE = EndState.LED, EndState.COAST, EndState.HOLD, EndState.OVERRIDE
NOT_LED = (Guide.HOLD, Guide.BY_HAND)
KEPT = frozenset({LED, COAST, OVERRIDE})  # what goes on without a reference of its own


class EndFacts(msgspec.Struct, gc=False):
    """What is known of one end at a tick."""

    guide: Guide
    error: float | None = None
    coasting: bool = False
    trusted: bool = False  # its reference may lead the valve
    hand: bool = False
    datum: bool = True  # set, or not needed

    @property
    def lost(self) -> bool:
        """It should be led, no hand leads it, and its reference or datum is missing."""
        should = self.guide not in NOT_LED and not self.hand
        return should and (self.error is None or not self.trusted)


class Facts(msgspec.Struct):
    """All that the guard sees of a tick."""

    dt: float
    speed: float | None
    ends: dict[Side, EndFacts]
    crossfall_off: float  # ratio, absolute
    faults: set[str] = set()
    has_valves: bool = True
    settled: bool = True  # the tilt's


class Verdict(msgspec.Struct, frozen=True, gc=False):
    """What each valve may do now."""

    mode: Mode
    why: str
    states: dict[Side, EndState]
    standing: bool


class Guard:
    """Holds the engagement, the standing and the settling clocks."""

    STATE = ("engaged", "still_s", "good_s", "latched", "asked_hold", "backed")

    def __init__(self, hold_crossfall: float, engage_error: float) -> None:
        self.hold_crossfall, self.engage_error = hold_crossfall, engage_error
        self.engaged = False
        self.still_s = 0.0
        self.good_s = 0.0
        self.latched = ""
        self.asked_hold = dict.fromkeys(SIDES, False)
        self.backed = False  # reversed since the last automatic tick

    def engage(self, facts: Facts) -> str:
        """Try to engage; '' when done, else the reason."""
        reason = self._refusal(facts)
        if not reason:
            self.engaged, self.latched = True, ""
            self.good_s = SETTLE_S
        return reason

    def disengage(self) -> None:
        """Neutral until the driver asks again."""
        self.engaged, self.latched = False, ""
        self.backed = False

    def _refusal(self, facts: Facts) -> str:
        if not facts.has_valves:
            return "This rig has no valves: it gives cues only."
        for row in ROWS:
            if row.name in facts.faults and row.response is Response.NEUTRAL:
                return row.words
        if not facts.settled:
            return UNSETTLED
        for side, end in facts.ends.items():
            if end.guide in NOT_LED:
                continue
            if not end.datum:
                return f"{side}: no datum. Set the datum first."
            if end.error is None or not end.trusted:
                return f"{side}: no sure reference in view. Check string, edge and gate."
        return self._off(facts)

    def _off(self, facts: Facts) -> str:
        """Whether crossfall or an end is too far off its target to engage; '' when none is."""
        if self._drifted(facts, {s: self._end_state(facts, s, False) for s in SIDES}):
            return BY_NAME["crossfall off"].words
        return self._far_off(facts)

    def _far_off(self, facts: Facts) -> str:
        """Which end is too far off its target to engage; '' when none is."""
        for side, end in facts.ends.items():
            if end.error is not None and abs(end.error) > self.engage_error:
                off, most = abs(end.error) * 1e3, self.engage_error * 1e3
                return f"{side}: {off:.0f} mm off; bring it within {most:.0f} mm by hand first."
        return ""

    def decide(self, facts: Facts) -> Verdict:
        """The verdict of this tick."""
        standing = self._standing(facts)
        states = {side: self._end_state(facts, side, standing) for side in SIDES}
        self._add_consequences(facts, states)
        blocking = _blocking(facts.faults) if facts.faults else []
        if not facts.has_valves:
            return self._cue_only(facts, standing)
        if not self.engaged:
            return self._neutral(self.latched or self._idle_words(facts), facts, standing)
        if blocking:
            if any(r.recovery is not Recovery.ONCE for r in blocking):
                self.good_s = 0.0
            if any(r.recovery is Recovery.ASK for r in blocking):
                first = next(r for r in blocking if r.recovery is Recovery.ASK)
                self.engaged, self.latched = False, first.words
            return self._neutral(blocking[0].words, facts, standing)
        far = self._far_off(facts) if self.backed else ""
        if far:
            return self._neutral(f"After reversing, {far}", facts, standing)
        self.backed = False
        self.good_s += facts.dt
        if self.good_s < SETTLE_S:
            return self._neutral(
                "Waiting half a second for everything to be good.", facts, standing
            )
        return Verdict(Mode.AUTO, self._auto_words(facts, states, standing), states, standing)

    def _standing(self, facts: Facts) -> bool:
        slow = facts.speed is not None and abs(facts.speed) < STILL
        self.still_s = self.still_s + facts.dt if slow else 0.0
        return self.still_s >= STILL_S

    def _end_state(self, facts: Facts, side: Side, standing: bool) -> EndState:
        end = facts.ends[side]
        if end.hand:
            return OVERRIDE
        if end.guide in NOT_LED:
            return EndState.BY_HAND if end.guide is Guide.BY_HAND else HOLD
        if self.asked_hold[side] or standing or end.error is None or not end.trusted:
            return HOLD
        return COAST if end.coasting else LED

    def _add_consequences(self, facts: Facts, states: dict[Side, EndState]) -> None:
        """Faults that follow from the states: lost references, crossfall, no led end."""
        lost = False
        for end in facts.ends.values():
            if end.lost:
                facts.faults.add("reference lost" if end.datum else "no datum")
                lost = True
        if self.engaged:
            if lost and KEPT.isdisjoint(states.values()):
                facts.faults.add("no led end")
            elif self._drifted(facts, states):
                facts.faults.add("crossfall off")
        if facts.speed is not None and facts.speed < REVERSE:
            facts.faults.add("reversing")
            self.backed = self.engaged
        if self.backed:
            # the ground moved the ends, not the loop: going forward they come back
            facts.faults.discard("error too large")

    def _drifted(self, facts: Facts, states: dict[Side, EndState]) -> bool:
        """One end is held beside a led one, and the crossfall has left its limit."""
        both = tuple(states.values())
        led, held = LED in both or COAST in both, HOLD in both
        return led and held and facts.crossfall_off > self.hold_crossfall

    def _neutral(self, why: str, facts: Facts, standing: bool) -> Verdict:
        states = {
            side: OVERRIDE if end.hand else EndState.NEUTRAL for side, end in facts.ends.items()
        }
        return Verdict(Mode.NEUTRAL, why, states, standing)

    def _cue_only(self, facts: Facts, standing: bool) -> Verdict:
        states = dict.fromkeys(SIDES, EndState.CUE)
        why = next(
            (r.words for r in ROWS if r.name in facts.faults and _matters_to_cues(r.name)), ""
        )
        return Verdict(Mode.CUE_ONLY, why or "Cues only: this rig has no valves.", states, standing)

    def _idle_words(self, facts: Facts) -> str:
        return self._refusal(facts) or "Ready. Engage when the blade may move."

    def _auto_words(self, facts: Facts, states: dict[Side, EndState], standing: bool) -> str:
        if standing:
            return "Standing: both ends held."
        if OVERRIDE in states.values():
            return "The driver's hand leads."
        for name in ("reference lost", "no datum"):
            if name in facts.faults:
                return BY_NAME[name].words
        return "Automatic."


def _blocking(faults: set[str]) -> list[Row]:
    """Active rows that shut the valves, the most important first."""
    return [row for row in ROWS if row.name in faults and row.response is Response.NEUTRAL]


def _matters_to_cues(name: str) -> bool:
    """Faults that make a cue worthless, valves or no valves."""
    return name not in (
        "enable released", "driver inputs silent", "reversing", "samples dropped",
        "slope check due", "lease not armed",
    )  # fmt: skip
