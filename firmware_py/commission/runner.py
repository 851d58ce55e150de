"""Plays a procedure on a rig: simulated in virtual time, or a real one in real time.

The command for the valves is written in the tick that asked for it. However it ends - a result,
a surprise, an interrupt - the valves are neutral afterwards.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from typing import Protocol, TypeVar

from drivers.protocols import Rig
from drivers.samples import InertialSample, ValveCommand
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.procedure import Counts, Next, Procedure, Steps

R = TypeVar("R")
TICK_S = 0.01
START_S = 100.0  # s on the virtual clock at the first look: nothing must lean on 0
Said = str | float
Show = Callable[[Next], None]


class Stopped(CommissionError):  # noqa: N818  it is what happened, not a fault
    """The person wants no more of it."""


class Person(Protocol):
    """Who is asked: at a terminal, or a script in a test."""

    def ask(self, asked: Next, offer: float | None) -> Said:
        """Wait for the answer; offer: what a simulated person reads off. Stopped at its end."""
        ...

    def begin(self, asked: Next) -> None:
        """Put the question; `poll` has the answer."""
        ...

    def poll(self, asked: Next | None) -> Said | None:
        """The answer as soon as there is one; Stopped when the person stops it unasked."""
        ...


class Handled(Rig, Protocol):
    """A simulated rig that can do what a person is asked to do."""

    reading: float | None

    def act(self, name: str, at: tuple[float, ...]) -> float: ...

    def finish(self) -> None: ...


class Bench(Protocol):
    """A rig, a clock and a person; warmth_c: of the inertial sensor, as last seen."""

    rig: Rig
    warmth_c: float | None

    def tick(self) -> float:
        """Wait for the next tick; its time, s."""
        ...

    def answer(self, asked: Next) -> Said | None:
        """What the person says to this question by now."""
        ...


class SimulatedBench:
    """Virtual time: it stands still while the person thinks."""

    def __init__(self, rig: Handled, person: Person) -> None:
        self.rig: Rig = rig
        self._handled = rig
        self.warmth_c: float | None = None
        self._person = person
        self._count = 0
        self._due: float | None = None
        self._said: Said = ""

    @property
    def now_s(self) -> float:
        return START_S + TICK_S * self._count

    def tick(self) -> float:
        """At once."""
        self._count += 1
        return self.now_s

    def answer(self, asked: Next) -> Said | None:
        """The simulated machine does what is asked, then the answer is handed on."""
        if self._due is None:
            takes = self._handled.act(asked.act, asked.at)
            self._said = self._person.ask(asked, self._handled.reading)
            self._due = self.now_s + takes
        if self.now_s < self._due:
            return None
        self._handled.finish()
        self._due = None
        return self._said


class LiveBench:
    """Real time, on absolute deadlines; a late tick is not caught up."""

    def __init__(
        self, rig: Rig, person: Person, clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:  # fmt: skip
        self.rig: Rig = rig
        self.warmth_c: float | None = None
        self._person, self._clock, self._sleep = person, clock, sleep
        self._due = clock()
        self._asked: Next | None = None

    def tick(self) -> float:
        """The next one."""
        now = self._clock()
        self._due = max(self._due + TICK_S, now)
        self._sleep(max(self._due - now, 0.0))
        if self._asked is None:
            self._person.poll(None)
        return self._clock()

    def answer(self, asked: Next) -> Said | None:
        """Looked for at each tick, so that the rig is read meanwhile."""
        if self._asked is not asked:
            self._asked = asked
            self._person.begin(asked)
        said = self._person.poll(asked)
        if said is not None:
            self._asked = None
        return said


def counts_of(rig: object, now_s: float) -> Counts:
    """What each real device of a rig has counted; a simulated rig counts nothing."""
    report = getattr(rig, "report", None)
    return {} if report is None else {one.name: one.counts for one in report(now_s)}


def play(steps: Steps[R], bench: Bench, show: Show = lambda _: None) -> R:
    """The procedure's result; Surprise, CommissionError or Stopped when it gives none."""
    procedure = Procedure(steps)
    now = 0.0
    try:
        while not procedure.done:
            asked = procedure.next
            said = bench.answer(asked) if asked.ask else None
            now = bench.tick()
            samples = bench.rig.read(now)
            for sample in samples:
                if isinstance(sample, InertialSample) and sample.temperature_c is not None:
                    bench.warmth_c = sample.temperature_c
            after = procedure.step(now, samples, said, partial(counts_of, bench.rig, now))
            bench.rig.write(ValveCommand(now, *after.valves))
            show(after)
    finally:
        procedure.stop()
        bench.rig.write(ValveCommand(now, 0.0, 0.0))
    if procedure.error is not None:
        raise procedure.error
    if procedure.result is None:
        raise Stopped("It ended without a result; nothing was stored.")
    return procedure.result
