"""What the person at the machine does in a trial: the start, and each event in its turn.

It sees what a person sees: the screen (the last tick) and the distance travelled. It acts on
the simulated person and asks the controller by requests; nothing else passes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from itertools import count

from drivers.simulated.driver import Person
from drivers.simulated.rig import SimulatedRig
from firmware_py import messages as ask
from firmware_py.job import Job
from firmware_py.messages import AnyRequest, Guide, Link, Mode, Side, Tick
from firmware_py.settings import MM, Rig
from firmware_py.trial.asking import Asking, Make
from firmware_py.trial.back import Back
from firmware_py.trial.scenario import Event, Scenario
from firmware_py.trial.setup import led_ends

STAND_S = 2.5  # s the machine stands at least before the datum is set: tilt and bars settle
PATIENCE_S = 10.0  # s; a driver who waits longer for a reference asks anyway, and is told why not
SPARE_S = 30.0  # s; a trial that has not arrived so long after it should have, ends
PERSISTENT = ("datum", "engage")  # what a driver asks for again when it is refused
HOLDING = ("hold", "drop enable", "stop", "reverse", "disengage")  # what means to hold the machine
PRESS_S = 0.2  # s from seeing the edge at a pin to the key (chosen)
TURN_S = 60.0  # s for lifting, setting down and engaging between two passes
STEEP = 0.35  # rad, 20 degrees: so far nose down or up, nobody drives on (chosen)
BACK_S = 2.0  # s; after such an event, until all is good again and the machine drives

When = Callable[[], bool]
Act = Callable[[], None]


class PinMarker:
    """A person who presses the key when the edge passes a pin, as late as a person is."""

    def __init__(self, pins: Sequence[float], person: Person) -> None:
        self._pins, self._person = list(pins), person
        self._last: float | None = None
        self._due_s: list[float] = []

    def step(self, now_s: float) -> bool:
        """True at the tick in which the key is pressed."""
        at, last = self._person.seen_chainage, self._last
        self._last = at
        if self._person.speed > 0.0 and last is not None:
            passed = any(min(last, at) < pin <= max(last, at) for pin in self._pins)
            self._due_s += [now_s + PRESS_S] if passed else []
        if self._due_s and now_s >= self._due_s[0]:
            self._due_s.pop(0)
            return True
        return False


class Script:
    """`requests` is called once before each tick; `over` says when the trial has ended."""

    def __init__(
        self, scenario: Scenario, rig: Rig, sim: SimulatedRig, job: Job | None = None
    ) -> None:
        self.scenario, self._rig, self._person, self._sim = scenario, rig, sim.person, sim
        self._ends = led_ends(rig)
        self._numbers = count(1)
        self._asked: list[AnyRequest] = []
        self._events = list(scenario.events)
        self._later: list[tuple[When, Act]] = []
        self._askings: list[Asking] = []
        self._stage = 0 if scenario.start == "automatic" else 3
        self._drove = False
        self._waited_s = self._began_s = 0.0  # by-hand start: for refusals; when the drive began
        self.now_s = self.distance = self.furthest = 0.0
        self.gave_up = ""
        self.planned: list[tuple[float, float]] = []  # s; when the script has the machine held
        self.passes_s: list[float] = []  # when each pass was driven off
        self._back_way: Back | None = None
        self._turning = False  # waits for automatic between two passes
        self._person.backs_by_eye = scenario.passes > 1
        self._along_job = job is not None
        pins = [] if job is None or not scenario.marks_pins else job.pins
        self._marker = PinMarker([pin.chainage_m for pin in pins], sim.person)
        self._spare = sum(e.for_s or 0.0 for e in self._events)
        self._back = sum(2.0 * (e.for_m or 0.0) for e in self._events)
        self._person.enable(True)
        self._person.by_eye = rig.end(rig.control.master).guide is Guide.SURFACE

    def over(self) -> bool:
        """True when the distance is done, or could long have been, or the driver gave up."""
        arrived = self.distance >= self.scenario.distance_m and self._last_pass
        if self.gave_up or arrived:
            return True
        passes = self.scenario.passes
        way = (2 * passes - 1) * self.scenario.distance_m + self._back
        pauses = SPARE_S + PATIENCE_S + (passes - 1) * TURN_S + self._spare
        latest = pauses + 1.2 * way / self.scenario.speed_mps
        return self.now_s > latest + self._began_s + self._waited_s

    @property
    def _last_pass(self) -> bool:
        return len(self.passes_s) == self.scenario.passes

    def ended(self) -> str:
        """How it ended, in words; "" when the whole way was driven."""
        if self.gave_up and self._drove:
            return f"the driver stopped: {self.gave_up}"
        if self.gave_up:
            return f"the driver gave up before driving off: {self.gave_up}"
        if self.distance >= self.scenario.distance_m and self._last_pass:
            return ""
        of = f" of pass {len(self.passes_s)}" if self.scenario.passes > 1 else ""
        way = f"{self.furthest:.0f} m of {self.scenario.distance_m:g} m"
        return f"the time ran out after {way}{of}"

    def requests(self, now_s: float, last: Tick | None) -> tuple[AnyRequest, ...]:
        """What is asked for at this tick; now_s since the start."""
        before, self.now_s, self._asked = self.now_s, now_s, []
        if last is not None and last.distance_m is not None:
            self.distance = last.distance_m
            self.furthest = max(self.furthest, self.distance)
        if last is not None and last.pitch is not None and abs(last.pitch) > STEEP:
            self.gave_up = "the machine stands too steep, as in a pit that it has dug itself"
        self._ask_again(last, now_s - before)
        if self._stage < 3 and last is not None and not self.gave_up:
            self._start(last)
        if self._marker.step(now_s):
            self._asked.append(ask.MarkPin(next(self._numbers)))
        if self.scenario.passes > 1 and last is not None:
            self._between_passes(last)
        for item in [item for item in self._later if item[0]()]:
            self._later.remove(item)
            item[1]()
        for event in list(self._events):
            if self._due(event):
                self._events.remove(event)
                self._happen(event)
        return tuple(self._asked)

    def _start(self, last: Tick) -> None:
        """Stand until each bar tracks, set the datum, engage, drive: each once the last is done."""
        if self._stage == 0:
            tracking = all(bar.link is Link.TRACKING for bar in last.bars)
            if not ((self.now_s > STAND_S and tracking) or self.now_s > PATIENCE_S):
                return
            above = self.scenario.start_above_mm * MM if self._along_job else 0.0
            self._ask_for([partial(_datum, end, above) for end in self._ends])
            self._stage = 1
        elif self._stage == 1 and not self._askings:
            if last.mode is not Mode.CUE_ONLY:
                self._ask_for([ask.Engage], leads=True)
            self._stage = 2
        if self._stage == 2 and not self._askings:
            self._drive()
            self._stage = 3

    def _between_passes(self, last: Tick) -> None:
        """At the end of a pass back to the start, then engage and drive again."""
        if self._turning:
            if not self._askings:
                self._turning = False
                self.passes_s.append(self.now_s)
                self._plan_ends()
                self._drive()
        elif self._back_way is not None:
            self._back_way.step(self.now_s, last)
            if self._back_way.ready:
                self._back_way, self._turning = None, True
                self.furthest = 0.0
                self._ask_for([ask.Engage], leads=False)
        elif self._drove and not self._last_pass and self.distance >= self.scenario.distance_m:
            self._asked.append(ask.Disengage(next(self._numbers)))
            self.planned.append((self.now_s, math.inf))
            self._back_way = Back(self._person, self.now_s, self.scenario.speed_mps)

    def _ask_for(self, makes: Sequence[Make], *, leads: bool = False) -> None:
        self._askings.append(Asking(makes, self._numbers, self.now_s, leads=leads))
        self._asked += self._askings[-1].update(self.now_s, None)

    def _ask_again(self, last: Tick | None, tick_s: float) -> None:
        """All that is still to be done. Who stands and cannot begin does nothing else so long."""
        for asking in list(self._askings):
            self._asked += asking.update(self.now_s, last)
            if asking.done or asking.failed:
                self._askings.remove(asking)
            if asking.failed and not self._drove:
                self.gave_up = asking.failed
        if self._stage == 3 and self._stands_asking():
            self._waited_s += tick_s

    def _stands_asking(self) -> bool:
        return bool(self._askings) and not self._drove

    def _drive(self) -> None:
        if not self._drove:
            self._drove, self._began_s = True, self.now_s
            self.passes_s.append(self.now_s)
        self._person.drive(self.scenario.speed_mps)

    def _due(self, event: Event) -> bool:
        if event.do != "fault" and self._stage == 3 and self._stands_asking():
            return False
        if event.at_s is not None:
            waited = 0.0 if event.do == "fault" else self._waited_s
            return self.now_s >= event.at_s + waited
        return event.at_m is not None and self.distance >= event.at_m and self._stage == 3

    def _after(self, seconds: float | None, act: Act) -> None:
        end = self.now_s + (seconds or 0.0)
        self._later.append((lambda: self.now_s >= end, act))

    def _plan(self, event: Event) -> None:
        """Note for how long an event has the machine held: it is no trouble then."""
        if event.do in HOLDING or event.guide is Guide.HOLD:
            length = math.inf if event.for_s is None else event.for_s + BACK_S
            self.planned.append((self.now_s, self.now_s + length))
        elif event.do == "engage":
            self._plan_ends()

    def _plan_ends(self) -> None:
        self.planned = [(a, min(b, max(a, self.now_s) + BACK_S)) for a, b in self.planned]

    def _happen(self, event: Event) -> None:
        self._plan(event)
        if event.do in PERSISTENT:
            self._ask_for([partial(_again, event)], leads=event.do == "engage")
            return
        request = _request(event, next(self._numbers))
        if request is not None:
            self._asked.append(request)
            if isinstance(request, ask.HoldEnd):
                off = ask.HoldEnd(next(self._numbers), request.end, False)
                self._after(event.for_s, lambda: self._asked.append(off))
            return
        getattr(self, f"_do_{event.do.replace(' ', '_')}")(event)

    def _do_drive(self, _: Event) -> None:
        self._drive()

    def _do_hand(self, event: Event) -> None:
        end = str(event.end)
        self._person.hand(end, event.lever)
        self._after(event.for_s, lambda: self._person.hand(end, None))

    def _do_stop(self, event: Event) -> None:
        self._person.drive(0.0)
        self._after(event.for_s, self._drive)

    def _do_reverse(self, event: Event) -> None:
        self._person.drive(-self.scenario.speed_mps)
        end = self.distance - (event.for_m or 0.0)
        self._later.append((lambda: self.distance <= end, self._drive_on))

    def _drive_on(self) -> None:
        self._plan_ends()
        self._drive()

    def _do_drop_enable(self, event: Event) -> None:
        self._person.enable(False)
        self._after(event.for_s, lambda: self._person.enable(True))

    def _do_fault(self, event: Event) -> None:
        values: dict[str, object] = {
            key: value * MM
            for key, value in (("by", event.by_mm), ("at", event.at_mm), ("rate", event.rate_mm_s))
            if value is not None
        }
        if event.end is not None:
            values["end"] = event.end.value
        start = self.now_s
        end = start + (event.for_s or 0.0)
        self._sim.inject(event.fault or "", event.device or "", start, end, **values)


def _datum(end: Side, above: float, number: int) -> AnyRequest:
    return ask.SetDatum(number, end, above)


def _again(event: Event, number: int) -> AnyRequest:
    request = _request(event, number)
    if request is None:
        raise ValueError(f"{event.do} asks the controller for nothing")
    return request


def _request(event: Event, number: int) -> AnyRequest | None:
    """The event as a request to the controller; None when it is the person's own doing."""
    end, guide = event.end or Side.LEFT, event.guide or Guide.HOLD
    step, near, far, half = (
        (value or 0.0) * MM for value in (event.step_mm, event.near_mm, event.far_mm, event.half_mm)
    )
    made: dict[str, AnyRequest] = {
        "datum": ask.SetDatum(number, end, (event.above_mm or 0.0) * MM),
        "engage": ask.Engage(number),
        "disengage": ask.Disengage(number),
        "nudge": ask.Nudge(number, end, step),
        "crossfall": ask.NudgeCrossfall(number, (event.step_pct or 0.0) / 100.0),
        "guide": ask.SetGuide(number, end, guide),
        "gate": ask.SetGate(number, near, far),
        "dead band": ask.SetDeadBand(number, half),
        "hold": ask.HoldEnd(number, end, True),
        "pin": ask.MarkPin(number, event.pin or ""),
        "refuse": ask.RefuseTransition(number),
        "accept": ask.AcceptTransition(number),
    }
    return made.get(event.do)
