"""What the person at the machine does in a trial: the start, and each event in its turn.

It sees what a person sees: the screen (the last tick) and the distance travelled. It acts on
the simulated person and asks the controller by requests; nothing else passes.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

from drivers.simulated.rig import SimulatedRig
from firmware_py import messages as ask
from firmware_py.messages import AnyRequest, Guide, Link, Side, Tick
from firmware_py.settings import MM, Rig
from firmware_py.trial.scenario import Event, Scenario
from firmware_py.trial.setup import led_ends

STAND_S = 2.5  # s the machine stands at least before the datum is set: tilt and bars settle
PATIENCE_S = 10.0  # s; a driver who waits longer for a reference asks anyway, and is told why not
SPARE_S = 30.0  # s; a trial that has not arrived so long after it should have, ends

When = Callable[[], bool]
Act = Callable[[], None]


class Script:
    """`requests` is called once before each tick; `over` says when the trial has ended."""

    def __init__(self, scenario: Scenario, rig: Rig, sim: SimulatedRig) -> None:
        self.scenario, self._rig, self._person, self._sim = scenario, rig, sim.person, sim
        self._ends = led_ends(rig)
        self._numbers = count(1)
        self._asked: list[AnyRequest] = []
        self._events = list(scenario.events)
        self._later: list[tuple[When, Act]] = []
        self._stage = 0 if scenario.start == "automatic" else 3
        self.now_s = self.distance = self.furthest = 0.0
        self._spare = sum(e.for_s or 0.0 for e in self._events)
        self._back = sum(2.0 * (e.for_m or 0.0) for e in self._events)
        self._person.enable(True)
        self._person.by_eye = rig.end(rig.control.master).guide is Guide.SURFACE

    def over(self) -> bool:
        """True when the distance is done, or could long have been."""
        way = self.scenario.distance_m + self._back
        latest = SPARE_S + PATIENCE_S + self._spare + 1.2 * way / self.scenario.speed_mps
        return self.distance >= self.scenario.distance_m or self.now_s > latest

    def requests(self, now_s: float, last: Tick | None) -> tuple[AnyRequest, ...]:
        """What is asked for at this tick; now_s since the start."""
        self.now_s, self._asked = now_s, []
        if last is not None and last.distance_m is not None:
            self.distance = last.distance_m
            self.furthest = max(self.furthest, self.distance)
        if self._stage < 3 and last is not None:
            self._start(last)
        for item in [item for item in self._later if item[0]()]:
            self._later.remove(item)
            item[1]()
        for event in [event for event in self._events if self._due(event)]:
            self._events.remove(event)
            self._happen(event)
        return tuple(self._asked)

    def _start(self, last: Tick) -> None:
        """Stand until each bar tracks, set the datum, engage, drive: one a tick."""
        if self._stage == 0:
            tracking = all(bar.link is Link.TRACKING for bar in last.bars)
            if (self.now_s > STAND_S and tracking) or self.now_s > PATIENCE_S:
                self._asked += [ask.SetDatum(next(self._numbers), end) for end in self._ends]
                self._stage = 1
        elif self._stage == 1:
            self._asked.append(ask.Engage(next(self._numbers)))
            self._stage = 2
        else:
            self._drive()
            self._stage = 3

    def _drive(self) -> None:
        self._person.drive(self.scenario.speed_mps)

    def _due(self, event: Event) -> bool:
        if event.at_s is not None:
            return self.now_s >= event.at_s
        return event.at_m is not None and self.distance >= event.at_m and self._stage == 3

    def _after(self, seconds: float | None, act: Act) -> None:
        end = self.now_s + (seconds or 0.0)
        self._later.append((lambda: self.now_s >= end, act))

    def _happen(self, event: Event) -> None:
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
        self._later.append((lambda: self.distance <= end, self._drive))

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


def _request(event: Event, number: int) -> AnyRequest | None:
    """The event as a request to the controller; None when it is the person's own doing."""
    end, guide = event.end or Side.LEFT, event.guide or Guide.HOLD
    step, near, far, half = (
        (value or 0.0) * MM for value in (event.step_mm, event.near_mm, event.far_mm, event.half_mm)
    )
    made: dict[str, AnyRequest] = {
        "datum": ask.SetDatum(number, end),
        "engage": ask.Engage(number),
        "disengage": ask.Disengage(number),
        "nudge": ask.Nudge(number, end, step),
        "crossfall": ask.NudgeCrossfall(number, (event.step_pct or 0.0) / 100.0),
        "guide": ask.SetGuide(number, end, guide),
        "gate": ask.SetGate(number, near, far),
        "dead band": ask.SetDeadBand(number, half),
        "hold": ask.HoldEnd(number, end, True),
    }
    return made.get(event.do)
