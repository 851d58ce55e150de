"""Finds which rows of the fault table are active at a tick, from the senses and the blade."""

from __future__ import annotations

import math

from firmware_py.fuse.blade import STANDING, Blade
from firmware_py.guard.watch import AnswerWatch, JumpWatch, MoveWatch, StuckWatch
from firmware_py.guide.targets import EndError
from firmware_py.messages import BAR_GUIDES, Guide, Side
from firmware_py.sense.senses import Senses
from firmware_py.settings import DEG, MM, Rig

CLOCK_JUMP = 0.5  # s between two ticks
LATE = 0.05  # s between two ticks
AGE = {"inertial": 0.05, "bar": 0.35, "motion": 0.5, "driver": 0.2, "air": 15.0, "lease": 0.3}  # s
DEAD_PERIODS = 3.0
BAR_LEAST = 0.1  # s; no bar is called silent sooner: on a busy computer samples came 0.03 s apart
BEYOND = 0.020  # m past the engage limit: an end that far off was not brought there by the loop
FAR_EDGE = 0.020  # m from the rim of a second bar's view
# What a hand on a lever looks like where nothing senses it.
AS_BY_HAND = frozenset(
    {"reference jumped", "valve does not answer", "uncommanded motion", "error too large"}
)
DROPS_S = 1.0  # s; how long dropped samples are told
SLOPE_K = 10.0  # K of the inertial sensor, from the last slope check on
SLOPE_H = 2.0  # engaged hours, likewise


class FaultFinder:
    """`find` gives the names of the active rows."""

    STATE = (
        "moves", "answers", "jumps", "stuck", "guides", "drops", "drops_s", "engaged_s",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.moves = {side: MoveWatch() for side in Side}
        self.answers = {side: AnswerWatch() for side in Side}
        self.jumps = {side: JumpWatch() for side in rig.bars}
        self.stuck = {
            side: StuckWatch(bar.elements, bar.step_mm * MM, bar.noise_mm * MM)
            for side, bar in rig.bars.items()
        }
        self.guides = {side: rig.end(side).guide for side in rig.bars}
        self._no_valves = rig.valves is None
        self._leased = rig.valves.device if rig.valves is not None and rig.valves.leased else ""
        limits = rig.limits
        self._back_most, self._most = limits.offset_mm * MM, limits.engage_error_mm * MM + BEYOND
        self._others = [side for side in rig.bars if side is not rig.control.master]
        self.drops, self.drops_s = 0, math.inf
        self.engaged_s = 0.0
        self.inertial = rig.inertial.device
        self.bars = {side: bar.device for side, bar in rig.bars.items()}
        self.bar_ages = {side: bar_age(bar.frame_ms * MM) for side, bar in rig.bars.items()}
        self.silences = (
            ("inertial silent", rig.inertial.device, AGE["inertial"]),
            ("speed silent", rig.motion.device, AGE["motion"]),
            ("air silent", rig.air.device, AGE["air"]),
            ("driver inputs silent", rig.driver.device, AGE["driver"]),
        )

    def find(
        self, now_s: float, dt: float, senses: Senses, blade: Blade, *, leading: set[Side],
        errors: dict[Side, EndError | None], returning: set[Side], engaged: bool = False,
    ) -> set[str]:  # fmt: skip
        """Active rows; leading: the ends whose bar is needed now; returning: after a hand."""
        faults = _time_faults(dt)
        faults |= self._devices(now_s, senses, leading)
        faults |= self._motion(dt, senses, blade, errors)
        if 0.0 < dt <= CLOCK_JUMP and self._stuck(dt, senses, blade, leading):
            faults.add("bar stuck")
        for side, error in errors.items():
            if error is not None and self._too_large(error.error, side in returning):
                faults.add("error too large")
        if faults & AS_BY_HAND and not self.rig.driver.senses_hand:
            faults.add("hand not sensed")
        if self._second_bar_off(blade):
            faults.add("far bar off")
        if self._slope_due(dt, senses.warmth, engaged):
            faults.add("slope check due")
        if self._dropping(dt, senses):
            faults.add("samples dropped")
        return faults

    def _too_large(self, error: float, returning: bool) -> bool:
        """What a hand has left far off comes back at approach speed, from as far as offsets go."""
        return abs(error) > (self._back_most if returning else self._most)

    def _devices(self, now_s: float, senses: Senses, leading: set[Side]) -> set[str]:
        faults, intakes = set(), senses.intakes
        for row, device, limit in self.silences:
            if not now_s - intakes[device].seen_s <= limit:
                faults.add(row)
        if intakes[self.inertial].stuck:
            faults.add("inertial stuck")
        if not senses.enable:
            faults.add("enable released")
        if self._leased and not (senses.armed and intakes[self._leased].age(now_s) <= AGE["lease"]):
            faults.add("lease not armed")
        for side in leading:
            intake = intakes[self.bars[side]]
            if not intake.age(now_s) <= self.bar_ages[side]:
                faults.add("bar silent")
        return faults

    def _stuck(self, dt: float, senses: Senses, blade: Blade, leading: set[Side]) -> bool:
        """Whether a leading bar repeats itself although its blade moves."""
        speed = senses.speed
        stands = speed is not None and abs(speed) < STANDING
        moves = not stands or blade.valves_open() or any(senses.hands.values())
        found = False
        for side, watch in self.stuck.items():
            same = senses.intakes[self.bars[side]].same
            moved, forward = self._moved(side, blade), 0.0 if speed is None else speed * dt
            if watch.update(same, moves=moves, moved=moved, forward=forward):
                found |= side in leading
        return found

    @staticmethod
    def _moved(side: Side, blade: Blade) -> float:
        """How far valves and gyros have raised a bar since the start, m."""
        ahead, left = blade.tracks[side].bar_arm
        rolled, pitched = blade.turned
        return blade.mean_lift + rolled * left - pitched * ahead

    def _motion(
        self, dt: float, senses: Senses, blade: Blade, errors: dict[Side, EndError | None]
    ) -> set[str]:
        if self._no_valves or any(senses.hands.values()) or not 0.0 < dt <= CLOCK_JUMP:
            for watches in (self.moves, self.answers, self.jumps):
                for watch in watches.values():
                    watch.reset()
            return set()
        faults = set()
        speed = 0.0 if senses.speed is None else senses.speed
        if blade.valve_gain.contradicted or self._late(dt, blade, errors):
            faults.add("valve does not answer")
        moves = [w.update(dt, blade.moving(s), speed) for s, w in self.moves.items()]
        if any(moves):
            faults.add("uncommanded motion")
        jumps = [self._jumped(side, speed * dt, blade) for side in self.jumps]
        if any(jumps):
            faults.add("reference jumped")
        return faults

    def _late(self, dt: float, blade: Blade, errors: dict[Side, EndError | None]) -> bool:
        """Whether an end has long been told to move, and its error does not show it."""
        rates, pitching = blade.lift_rates, blade.pitching()
        late = False
        for side, watch in self.answers.items():
            error = errors[side]
            relative = error is not None and error.relative
            # an error against the other end: that one's motion is in it, the machine's pitching not
            asked = rates[side] - (rates[side.other] if relative else 0.0)
            value = None if error is None else error.error
            carried = 0.0 if relative else pitching
            late |= watch.update(dt, asked, value, carried, relative=relative)
        return late

    def _jumped(self, side: Side, forward: float, blade: Blade) -> bool:
        """Whether a bar's reference is back where its blade cannot have gone meanwhile."""
        track, watch = blade.tracks[side], self.jumps[side]
        if track.guide is not self.guides[side]:  # another kind of reference lies elsewhere
            self.guides[side] = track.guide
            watch.reset()
        return watch.update(
            forward, self._moved(side, blade), track.filter.h if track.known() else None
        )

    def _second_bar_off(self, blade: Blade) -> bool:
        for side in self._others:
            track = blade.tracks[side]
            if not track.known() or track.guide is Guide.SURFACE:
                continue
            view = track.positions[-1] + track.filter.h * math.tan(
                track.bar.beam_half_angle_deg * DEG
            )
            if view - abs(track.filter.y) < FAR_EDGE:
                return True
        return False

    def _slope_due(self, dt: float, warmth: float | None, engaged: bool) -> bool:
        """Whether the last slope check, of which the rig's settings tell, is too far behind."""
        self.engaged_s += dt if engaged and 0.0 < dt <= CLOCK_JUMP else 0.0
        slope = self.rig.calibration.slope
        if slope is None:
            return False
        far = warmth is not None and abs(warmth - slope.temperature_c) > SLOPE_K
        return far or slope.age_h + self.engaged_s / 3600.0 > SLOPE_H

    def _dropping(self, dt: float, senses: Senses) -> bool:
        drops = senses.dropped()
        self.drops_s = 0.0 if drops > self.drops else self.drops_s + dt
        self.drops = drops
        return self.drops_s < DROPS_S


def _time_faults(dt: float) -> set[str]:
    if not 0.0 < dt <= CLOCK_JUMP:
        return {"clock jumped"}
    return {"loop late"} if dt > LATE else set()


def bar_age(frame_s: float) -> float:
    """How long a bar of such frames may fire nothing, s: three frames, within limits."""
    return min(max(DEAD_PERIODS * frame_s, BAR_LEAST), AGE["bar"])


def needed_bars(rig: Rig, guides: dict[Side, Guide]) -> set[Side]:
    """Sides whose bar some end depends on now."""
    return {side for side in rig.bars if guides[side] in BAR_GUIDES}
