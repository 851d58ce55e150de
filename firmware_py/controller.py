"""One tick of the controller: sense -> fuse -> guide -> act, under guard.

No clock, no file, no socket: time, samples and requests come in, a Tick comes out. The same
object runs in tests, in a trial, in replay and on the machine. Signs: see messages.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.samples import AnySample, RangePing, ValveCommand
from firmware_py.act.actuate import Actuate
from firmware_py.fuse.blade import Blade
from firmware_py.fuse.moment import Attitude, Moment
from firmware_py.fuse.track import Gate
from firmware_py.guard.faults import CLOCK_JUMP, FaultFinder, needed_bars
from firmware_py.guard.levels import Levels
from firmware_py.guard.modes import EndFacts, Facts, Guard, Verdict
from firmware_py.guide.follow import Follow
from firmware_py.guide.targets import EndError, Targets
from firmware_py.job import Job
from firmware_py.messages import (
    BAR_GUIDES,
    SIDES,
    Answer,
    AnyRequest,
    EndState,
    Guide,
    Mode,
    Side,
    Tick,
)
from firmware_py.sense.senses import Senses
from firmware_py.serve import Serve
from firmware_py.settings import MM, Rig
from firmware_py.undo import Changes
from firmware_py.view import make_tick

LED = (EndState.LED, EndState.COAST)
AUTO, FALL = Mode.AUTO, Guide.FALL  # asked for at every tick: to look up a member costs
NO_ERRORS: dict[Side, EndError | None] = dict.fromkeys(SIDES)


class Controller:
    """`step` is called once a tick with a rising time; `command` is what the valves get then."""

    STATE = (
        "senses", "blade", "targets", "guard", "actuate", "finder", "gate_near", "gate_far",
        "dead_band", "last_s", "seq", "led", "sure", "left_at", "levels", "changes",
        "gate_middle", "states", "lasted", "follow",
    )  # fmt: skip

    def __init__(self, rig: Rig, job: Job | None = None, start_m: float | None = None) -> None:
        """job: what to follow by chainage; start_m: chainage of the edge at the start, else the
        job's first station in the direction of travel."""
        self.rig = rig
        self.senses = Senses(rig)
        self.blade = Blade(rig)
        self.targets = Targets(rig)
        limits = rig.limits
        # settings as plain numbers: a rig file's own attributes are slow to get at
        self._sure_variance = (limits.coast_sd_mm * MM) ** 2
        self._bridge = limits.coast_s, limits.coast_mm * MM
        self.guard = Guard(limits.hold_crossfall_pct / 100.0, limits.engage_error_mm * MM)
        self.actuate = Actuate(rig)
        self.finder = FaultFinder(rig)
        self.levels = Levels(rig.check)
        self.follow = None if job is None else Follow(job, rig, start_m)
        if self.follow is not None:
            self.targets.crossfall = self.follow.first_fall
        self.changes = Changes()
        self.serve = Serve(self, self.changes)
        gate = rig.gate if job is None or job.gate is None else job.gate
        self.gate_near, self.gate_far = gate.near_mm * MM, gate.far_mm * MM
        self.dead_band = rig.control.dead_band_mm * MM
        self.last_s = math.nan
        self.seq = 0
        self.led = dict.fromkeys(SIDES, False)
        self.sure = dict.fromkeys(SIDES, False)
        self.left_at: dict[Side, float | None] = dict.fromkeys(SIDES)
        self.gate_middle: dict[Side, float | None] = dict.fromkeys(SIDES)
        self.states = dict.fromkeys(SIDES, EndState.NEUTRAL)
        self.lasted = dict.fromkeys(SIDES, 0.0)  # s, of each end's state
        self.command = ValveCommand(0.0, 0.0, 0.0)

    @property
    def undo_words(self) -> str:
        return self.changes.words

    def set_dead_band(self, half_m: float) -> None:
        """Half width of the dead band of both ends, m."""
        self.dead_band = half_m
        for loop in self.actuate.loops.values():
            loop.band.half = half_m

    def step(
        self, now_s: float, samples: Sequence[AnySample], requests: Sequence[AnyRequest] = ()
    ) -> Tick:
        """One tick. now_s: seconds on one monotonic clock; samples: new since the last tick."""
        now_s, dt = self._clock(now_s)
        pings = self.senses.take(now_s, samples)
        usable = 0.0 < dt <= CLOCK_JUMP and self.senses.has_attitude and bool(self.senses.sound)
        if usable:
            self._advance(now_s, dt, pings)
            if self.follow is not None:
                self._follow(self.follow, dt)
        errors = self._errors(now_s) if usable else dict(NO_ERRORS)
        facts = self._facts(now_s, dt, errors)
        answers = []
        for request in requests:
            reason = self.serve.take(request, facts)
            answers.append(Answer(request.number, not reason, reason))
            errors = self._errors(now_s) if usable else errors
            facts.ends = {side: self._end_facts(side, errors[side]) for side in SIDES}
        verdict = self.guard.decide(facts)
        self._act(now_s, dt, errors, verdict)
        if self.follow is not None:
            self.follow.note(self._edge(errors))
        tick = make_tick(
            self, now_s, errors=errors, verdict=verdict, facts=facts, answers=tuple(answers)
        )
        self.seq += 1
        return tick

    def _clock(self, now_s: float) -> tuple[float, float]:
        """Time and length of this tick. A jump is a fault of one tick: then the new time counts."""
        last = self.last_s
        if not math.isfinite(now_s):
            return (last if math.isfinite(last) else 0.0), 0.0
        self.last_s = now_s
        if not math.isfinite(last):
            return now_s, 1.0 / self.rig.control.tick_hz
        dt = now_s - last
        if not 0.0 < dt <= CLOCK_JUMP:
            self.senses.new_clock()
            self.blade.new_clock()
        return now_s, dt

    def _advance(self, now_s: float, dt: float, pings: list[RangePing]) -> None:
        """Fuse: tilt and valves carry the state, then each echo corrects it at its own time."""
        hands = self.senses.hands
        attitude = Attitude(*self.senses.attitude())
        self.senses.may_rest = not any(hands.values()) and not self.blade.valves_open()
        self.blade.advance(now_s, Moment(dt, attitude, self.senses.speed, hands))
        sound = self.senses.sound
        if sound is None:
            return
        gates = {side: self.gate(side) for side in self.blade.tracks} if pings else {}
        self.gate_middle.update((side, gate.middle) for side, gate in gates.items())
        for ping in pings:
            side = self.senses.sides[ping.device]
            self.blade.tracks[side].ping(ping, sound, self.blade.history, gates[side])
        for side, track in self.blade.tracks.items():
            if track.known():
                self.left_at[side] = track.filter.h

    def _follow(self, follow: Follow, dt: float) -> None:
        """Guide: what the job wants at this place, into the targets."""
        effort = any(action.capped for action in self.actuate.actions.values())
        follow.update(
            dt, self.senses.distance, self.senses.speed, engaged=self.guard.engaged,
            led=any(self.led.values()), effort=effort, nudge=self._nudge(),
        )  # fmt: skip
        self.targets.shift, self.targets.fall = follow.shift, follow.fall

    def _nudge(self) -> float:
        return self.targets.ends[self.rig.control.master].offset

    def _edge(self, errors: dict[Side, EndError | None]) -> float | None:
        """The higher end's height over the job's target, m; None unless both ends are led."""
        if self.follow is None or not all(self.led.values()):
            return None
        found = [error.error for error in errors.values() if error is not None]
        return max(found) + self.follow.raised + self._nudge() if len(found) == len(SIDES) else None

    def gate(self, side: Side) -> Gate:
        """The range gate of a bar now: it moves with the target while that leads the end."""
        track = self.blade.tracks[side]
        seen = self.blade.end_height(side)
        middle = track.filter.h if track.known() else None
        end = self.targets.ends[side]
        if seen is not None and self.led[side]:
            target = self.targets.target_height(side, seen[2], self.blade.grade)
            middle = None if target is None else track.filter.h - seen[0] + target
        elif seen is None and end.datum is not None and self.left_at[side] is not None:
            middle = self.left_at[side]
        return Gate(middle, self.gate_near, self.gate_far)

    def _errors(self, now_s: float) -> dict[Side, EndError | None]:
        """Both ends' errors; a fall end leans on the other end's target while that is sure."""
        bars = self.targets.bar_errors(self.blade)
        for side in SIDES:
            self.sure[side] = self._sure(side, bars[side], now_s)
        return {
            side: self.targets.error(side, self.blade, self._leads(side.other), bars)
            for side in SIDES
        }

    def _sure(self, side: Side, error: EndError | None, now_s: float) -> bool:
        """True while an end's own bar may lead a valve, also when coasting."""
        if error is None:
            return False
        if not error.variance < self._sure_variance:
            return False
        track, (most_s, most_m) = self.blade.tracks[side], self._bridge
        return not track.coasting or (track.unseen(now_s) <= most_s and track.way <= most_m)

    def _leads(self, side: Side) -> bool:
        """True when its own bar leads an end, so that the other end may lean on it."""
        if self.targets.ends[side].guide not in BAR_GUIDES or self.guard.asked_hold[side]:
            return False
        # until it has returned to its target, the other end had better keep the crossfall
        settled = self.actuate.loops[side].settled or not self.guard.engaged
        return self.sure[side] and settled and not self.senses.hands[side]

    def _facts(self, now_s: float, dt: float, errors: dict[Side, EndError | None]) -> Facts:
        targets, rig = self.targets, self.rig
        guides = {side: targets.ends[side].guide for side in SIDES}
        hands, loops = self.senses.hands, self.actuate.loops
        returning = {side for side in SIDES if hands[side] or not loops[side].settled}
        faults = self.finder.find(
            now_s, dt, self.senses, self.blade,
            leading=needed_bars(rig, guides), errors=errors, returning=returning,
            engaged=self.guard.engaged,
        )  # fmt: skip
        for error in errors.values():
            if error is not None and not math.isfinite(error.error):
                faults.add("not a number")
        if self.follow is not None:
            faults |= self.follow.faults()
        ends = {side: self._end_facts(side, errors[side]) for side in SIDES}
        off = abs(self.blade.crossfall() - targets.fall_here)
        return Facts(
            dt, self.senses.speed, ends, off, faults, rig.valves is not None, self.senses.settled
        )  # fmt: skip

    def _end_facts(self, side: Side, error: EndError | None) -> EndFacts:
        guide = self.targets.ends[side].guide
        facts = EndFacts(guide, None if error is None else error.error)
        facts.hand = self.senses.hands[side]
        facts.datum = guide not in BAR_GUIDES or self.targets.ends[side].datum is not None
        if error is None:
            return facts
        lead = side.other if guide is FALL else side
        track = self.blade.tracks.get(lead)
        # a fall end whose other end has no sure reference goes by the crossfall alone
        facts.trusted = guide is FALL or self.sure[side]
        facts.coasting = track is not None and track.coasting and self.sure[lead]
        return facts

    def _act(
        self, now_s: float, dt: float, errors: dict[Side, EndError | None], verdict: Verdict
    ) -> None:
        self.actuate.foresee(self.blade)
        for side in SIDES:
            error = errors[side]
            value = None if error is None else error.error
            self.actuate.predict(side, value, self.blade)
        step = min(max(dt, 1e-4), 0.05)
        allowed = verdict.mode is AUTO
        self.command = self.actuate.command(
            now_s, step, verdict.states, self.blade, allowed=allowed, standing=verdict.standing
        )
        self.led = {side: allowed and verdict.states[side] in LED for side in SIDES}
        for side, state in verdict.states.items():
            self.lasted[side] = self.lasted[side] + step if state is self.states[side] else 0.0
        self.states = verdict.states
