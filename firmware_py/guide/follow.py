"""The run follows the job: what the job adds to the targets at the present chainage.

offset: of the schedule, over the reference's line (m). fall: of the crossfall target, as the
driver sees it (ratio). raised: how far both ends stay over that target (m): over a cover or pole,
for the limit of a cut, or because of an overload. One value for both ends, so that the crossfall
is kept. All three move no faster than a return from an override does.
"""

from __future__ import annotations

from firmware_py.guide.chainage import Chainage
from firmware_py.guide.cut import Ground, cut_words, limit_over
from firmware_py.guide.notices import Ahead, notice
from firmware_py.guide.overload import Overload
from firmware_py.guide.schedule import Schedule, Transition
from firmware_py.job import Job
from firmware_py.messages import LIFTED, REFUSED
from firmware_py.settings import MM, Rig

LIFT_SHARE = 0.8  # of the fastest automatic motion: the loop's own corrections need the rest
REACTION_S = 0.5  # s; the valves' dead time, their lag and the loop's own delay, with room
LOOK_M = 0.05  # m between two looks at what is ahead
EASE_SHARE = 0.5  # of one cut: what an overload raises the blade by
ABOVE = 0.005  # m over where it should be: the edge does not work there
SIGMAS = 2.0  # by which an obstacle is widened each way, of the chainage's sd


class Follow:
    """`update` once a tick; then offset, fall, raised, notice and cut are those of this tick."""

    STATE = (
        "chainage", "ground", "overload", "offset", "fall", "raised", "frozen", "looked", "lift",
        "notice", "cut", "ground_over", "standing", "high",
    )  # fmt: skip

    def __init__(self, job: Job, rig: Rig, start_m: float | None = None) -> None:
        self.job = job
        self.sign = -1 if rig.control.against_chainage else 1
        stations = job.stations
        first, last = stations[0].chainage_m, stations[-1].chainage_m
        self.schedule = Schedule(
            [s.chainage_m for s in stations], [s.offset_mm * MM for s in stations],
            [s.crossfall_pct / 100.0 for s in stations],
        )  # fmt: skip
        begin = (first if self.sign > 0 else last) if start_m is None else start_m
        pins = [(pin.chainage_m, pin.name) for pin in job.pins]
        self.chainage = Chainage(begin, self.sign, pins)
        stated = [(s.chainage_m, s.ground_mm * MM) for s in stations if s.ground_mm is not None]
        self.ground = Ground(first, max(last, first + 1.0), stated)
        self.each = job.cut.each_mm * MM
        self.overload = Overload(EASE_SHARE * self.each)
        self.transitions = self.schedule.transitions()
        self.obstacles = tuple(job.obstacles)
        self.solid = any(one.kind != "gap" for one in self.obstacles)
        limits = rig.limits
        self._down = limits.approach_mm_s * MM  # m/s, as an end returns after a hand
        self._up = LIFT_SHARE * limits.cap_mm_s * MM
        self._turn = self._down / (rig.blade.width_mm * MM)  # of the crossfall, 1/s
        self.schedule.look(begin)
        self._from = self.schedule.crossfall
        self.first_fall = self.sign * self._from  # as the driver sees it, before any nudge
        self.offset, self.fall, self.raised = self.schedule.offset, 0.0, 0.0
        self.lift = 0.0
        self.frozen: float | None = None  # chainage of the transition that is refused
        self.looked: float | None = None  # chainage of the last look ahead
        self.notice = self.cut = ""
        self.ground_over: float | None = None  # present ground over the target, m
        self.high = False  # over an obstacle, or still on the way down from it
        self.standing = ""

    def update(
        self, dt: float, distance: float | None, speed: float | None, *, engaged: bool,
        led: bool, effort: bool, nudge: float,
    ) -> None:  # fmt: skip
        """distance m, speed m/s; effort: a valve stands at its cap; nudge: the driver's own, m."""
        place = self.chainage
        place.update(distance)
        at, v = place.at, 0.0 if speed is None else speed
        self.schedule.look(at if self.frozen is None else self._held(at))
        known = self.ground.height(at)
        self.ground_over = now = None if known is None else known - nudge
        if self.looked is None or abs(at - self.looked) >= LOOK_M:
            self.look(abs(v))
        limit = limit_over(now, self.each)
        cutting = now is not None and now > self.raised
        eased = self.overload.update(dt, v, cutting=cutting, effort=effort, led=led)
        wanted = max(self.lift, limit + eased)
        self._move(dt, wanted, jump=not engaged)
        self.high = self.lift > 0.0 or self.raised > wanted + ABOVE

    def _held(self, at: float) -> float:
        """The chainage whose target counts while a transition is refused."""
        frozen = at if self.frozen is None else self.frozen
        return min(at, frozen) if self.sign > 0 else max(at, frozen)

    def _move(self, dt: float, raised: float, *, jump: bool) -> None:
        """Everything towards where it should be; at once while no valve is led."""
        fall = self.sign * (self.schedule.crossfall - self._from)
        if jump:
            self.offset, self.fall, self.raised = self.schedule.offset, fall, raised
            return
        down, up = self._down * dt, self._up * dt
        self.offset = _towards(self.offset, self.schedule.offset, down, down)
        self.fall = _towards(self.fall, fall, self._turn * dt, self._turn * dt)
        self.raised = _towards(self.raised, raised, up, down)

    @property
    def state(self) -> str:
        """How the next transition stands; '' when none is near."""
        if self.frozen is not None:
            return REFUSED
        return self.standing

    @property
    def shift(self) -> float:
        """What is added to the height that both ends should have, m."""
        return self.offset + self.raised

    def look(self, speed: float) -> None:
        """What is ahead: the lift that is wanted now, and the words."""
        place = self.chainage
        self.looked = place.at
        self.lift = self._lift(speed) if place.known else 0.0
        self.cut = self._cut_words()
        found = self.ahead()
        self.standing = "" if found is None else found[1].value
        self.notice = notice(self, speed)

    def _cut_words(self) -> str:
        if self.high:
            return f"{LIFTED} {self.raised / MM:.0f}"
        if self.overload.eased > 0.0:
            return f"eased up {self.overload.eased / MM:.0f}"
        return cut_words(self.ground_over, limit_over(self.ground_over, self.each))

    def _lift(self, speed: float) -> float:
        """Highest lift of the covers and poles that are here or about to be, m."""
        at, spare = self.chainage.at, SIGMAS * self.chainage.sd
        most = 0.0
        for one in self.obstacles:
            if one.kind == "gap":
                continue
            lift = one.lift_mm * MM
            early = speed * (max(lift - self.raised, 0.0) / self._up + REACTION_S) + LOOK_M
            before, after = (early, 0.0) if self.sign > 0 else (0.0, early)
            if one.from_m - spare - before <= at <= one.to_m + spare + after:
                most = max(most, lift)
        return most

    def ahead(self) -> tuple[Transition, Ahead] | None:
        """The transition that is running or within announce_m, and which of both it is."""
        at = self.chainage.at
        for one in self.transitions if self.sign > 0 else reversed(self.transitions):
            entry, end = self._ends(one)
            to_entry, to_end = self.sign * (entry - at), self.sign * (end - at)
            if to_end <= 0.0:
                continue
            if to_entry <= 0.0:
                return one, Ahead.RUNNING
            near = to_entry <= self.job.announce_m or not self.chainage.known
            return (one, Ahead.AHEAD) if near else None
        return None

    def _ends(self, one: Transition) -> tuple[float, float]:
        """Where it begins and ends in the direction of travel."""
        return (one.start_m, one.end_m) if self.sign > 0 else (one.end_m, one.start_m)

    def refuse(self) -> str:
        """The driver does not want the transition; '' or why that cannot be."""
        found = self.ahead()
        if self.frozen is not None:
            return "a transition is refused already; accept it first"
        if found is None:
            return f"no transition within {self.job.announce_m:g} m; there is nothing to refuse"
        self.frozen, self.looked = self._ends(found[0])[0], None
        return ""

    def accept(self) -> str:
        """The driver wants it after all; '' or why that cannot be."""
        if self.frozen is None:
            return "no transition is refused; there is nothing to accept"
        self.frozen = self.looked = None
        return ""

    def mark(self, name: str) -> str:
        """The edge stands at a pin; '' or why its chainage is not taken."""
        reason = self.chainage.mark(name)
        if not reason:
            self.looked = None
        return reason

    def note(self, height: float | None) -> None:
        """The higher end's height over the job's target, m; None while the edge works nothing."""
        if height is None or self.high or not self.chainage.known:
            self.ground.leave()
        else:
            self.ground.note(self.chainage.at, height)

    def set_datum(self, above: float | None) -> None:
        """A new datum; above: of the ground that the blade rests on, over the target."""
        self.ground.set_datum(above)
        self.looked = None

    def faults(self) -> set[str]:
        """Active rows of the fault table."""
        found = {"overload"} if self.overload.eased > 0.0 else set()
        if self.solid and not self.chainage.known:
            found.add("chainage lost")
        return found


def _towards(now: float, wanted: float, up: float, down: float) -> float:
    return min(wanted, now + up) if wanted > now else max(wanted, now - down)
