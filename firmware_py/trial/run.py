"""Runs a trial: a controller in closed loop with the simulated rig, faster than real time.

The controller gets time, samples and requests; the rig gets commands, the person gets the
steering cue. The truth goes to the scorer alone, through one callable.

A command reaches the oil a dead time late, a cue reaches the hand later still, and a screen is not
read at once. So the rig is simulated some ticks ahead of the controller, which then takes those
ticks in a row: the same numbers to the last bit, while a processor's cache holds one of the two.
"""

from __future__ import annotations

import gc
import math
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from drivers.samples import AnySample
from drivers.simulated.machine import STEP_S
from drivers.simulated.reference import RigTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.surface import Surface
from drivers.simulated.truth import Truth
from drivers.simulated.world import World
from firmware_py import snapshot
from firmware_py.controller import Controller
from firmware_py.job import Job
from firmware_py.journal.header import Header
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Pump, Store
from firmware_py.loop import ControllerLike
from firmware_py.messages import AnyRequest, Record, Tick
from firmware_py.settings import Rig
from firmware_py.trial.plain import PlainLoop
from firmware_py.trial.result import Result, make_result
from firmware_py.trial.scenario import Scenario
from firmware_py.trial.scorer import Scorer
from firmware_py.trial.script import Script
from firmware_py.trial.setup import (
    TrialError,
    job_for,
    rig_for,
    rig_named,
    start_chainage,
    truth_for,
    world_for,
)

START_S = 100.0  # s on the trial's clock at its first tick: a controller must not lean on 0
STATE_EVERY_S = 10.0  # of the controller, into the journal
PUMP_EVERY = 100  # ticks
RING_S = 4.0  # twice what is pumped at 50 Hz, and small enough for a processor's cache
PROGRESS_EVERY = 100  # ticks
SEEN_S = 0.1  # s from a tick to a person's acting on what the screen shows of it (chosen)

Kind = Literal["linehold", "plain"]
Progress = Callable[[float], None]
Step = tuple[float, tuple[AnyRequest, ...], tuple[AnySample, ...]]  # time, and what came in
Simulate = Callable[[World, RigTruth, int], SimulatedRig]


class Loop:
    """One trial, tick by tick. Nothing in it reads the truth."""

    def __init__(
        self, scenario: Scenario, rig: Rig, sim: SimulatedRig, controller: ControllerLike,
        job: Job | None = None,
    ) -> None:  # fmt: skip
        self.job = job
        self.sim, self.rig, self.controller = sim, rig, controller
        self.script = Script(scenario, rig, sim, job)
        self._tick_s = 1.0 / rig.control.tick_hz
        self._late = max(round(SEEN_S / self._tick_s), 1)
        deaf = max(math.floor((sim.deaf_s - STEP_S) / self._tick_s + 1e-6) + 1, 1)
        self.ahead = min(deaf, self._late)  # ticks; fewer is right as well
        self._screens: deque[Tick] = deque()  # not yet read

    def records(self, watch: Callable[[], object] = lambda: None) -> Iterator[Record]:
        """Each tick with all that went into it, until the trial is over.

        watch: called at each tick when the rig stands there, in the same order, but sooner.
        """
        sim, controller, number = self.sim, self.controller, 0
        while steps := self._simulate(number, watch):
            for now, requests, samples in steps:
                tick = controller.step(now, samples, requests)
                sim.write(controller.command, now)
                sim.person.cue(now, tick.steer_m)
                self._screens.append(tick)
                yield Record(now, samples, requests, tick)
            number += len(steps)

    def _simulate(self, first: int, watch: Callable[[], object]) -> list[Step]:
        """The next ticks' requests and samples, before the controller has taken one of them."""
        sim, script, steps = self.sim, self.script, list[Step]()
        for number in range(first, first + self.ahead):
            if script.over():
                break
            now = START_S + number * self._tick_s
            screen = self._screens.popleft() if number >= self._late else None
            requests = script.requests(now - START_S, screen)
            steps.append((now, requests, tuple(sim.read(now))))
            watch()
        return steps


class Journal:
    """The trial's log: the loop's own ring and listener, in one process."""

    def __init__(self, path: Path, header: Header, controller: object, tick_hz: float) -> None:
        self._ring = Ring.local(tick_hz, RING_S)
        self._writer = Writer(self._ring)
        self._writer.put_state(snapshot.take(controller))
        try:
            self._store = Store(path, header)
        except OSError as error:
            raise TrialError(f"the journal {path} cannot be written: {error.strerror}") from error
        self._pump = Pump(self._ring, self._store)
        self._controller = controller
        self._every = round(STATE_EVERY_S * tick_hz)
        self._count = 0

    def put(self, record: Record) -> None:
        """One tick; a state of the controller each 10 s."""
        self._writer.put(record)
        self._count += 1
        if self._count % self._every == 0:
            self._writer.put_state(snapshot.take(self._controller))
        if self._count % PUMP_EVERY == 0:
            self._pump.step()

    def close(self) -> None:
        """Store the rest."""
        self._pump.step()
        self._store.close()
        self._ring.close()


def run_trial(
    scenario: Scenario,
    rig: str | Rig | None = None,
    seed: int | None = None,
    *,
    ground: str | Path | Surface | None = None,
    job: str | None = None,
    journal: Path | None = None,
    progress: Progress | None = None,
    controller: Kind = "linehold",
    truth: Callable[[SimulatedRig], Truth] = SimulatedRig.truth,
    simulate: Simulate = SimulatedRig,
    ready: Callable[[], None] = lambda: None,
) -> Result:
    """Run it and score it. FileFault or TrialError when it cannot be run as asked.

    rig: a name, a path or a Rig in place of the trial's own; ground, job: likewise; simulate makes
    the machine, for one whose devices are read through wires; progress gets the share that is done;
    ready is called once all that was asked for is found to be right, before anything is written.
    """
    seed = scenario.seed if seed is None else seed
    loop = prepare(
        scenario, rig, seed, ground=ground, job=job, controller=controller, simulate=simulate
    )
    scorer = Scorer(loop.sim)
    ready()
    log = _open_journal(journal, scenario, seed, loop)
    began = time.perf_counter()
    try:
        _drive(loop, scorer, truth, log, progress or (lambda _: None))
    finally:
        loop.sim.close()
        if log is not None:
            log.close()
    wall_s = time.perf_counter() - began
    return make_result(
        scorer, scenario, loop.rig, seed=seed, controller=controller, wall_s=wall_s,
        journal=journal, ended=loop.script.ended(), planned=loop.script.planned,
        job=loop.job, passes_s=loop.script.passes_s,
    )  # fmt: skip


def _drive(
    loop: Loop, scorer: Scorer, truth: Callable[[SimulatedRig], Truth], log: Journal | None,
    progress: Progress,
) -> None:  # fmt: skip
    """All ticks, each scored and stored."""
    script = loop.script
    whole, passes = script.scenario.distance_m, script.scenario.passes
    with not_collecting():
        for count, record in enumerate(loop.records(lambda: scorer.see(truth(loop.sim)))):
            scorer.note(record.tick)
            if log is not None:
                log.put(record)
            if count % PROGRESS_EVERY == 0:
                done = len(script.passes_s) - 1 + min(max(script.furthest / whole, 0.0), 1.0)
                progress(min(max(done / passes, 0.0), 1.0))
    progress(1.0)


@contextmanager
def not_collecting() -> Iterator[None]:
    """No garbage collection while the block runs, as in the real-time loop: ticks leave none."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def prepare(
    scenario: Scenario,
    rig: str | Rig | None = None,
    seed: int = 1,
    *,
    ground: str | Path | Surface | None = None,
    job: str | None = None,
    controller: Kind = "linehold",
    simulate: Simulate = SimulatedRig,
) -> Loop:
    """Everything that a trial needs, made and joined, before its first tick."""
    own = rig if isinstance(rig, Rig) else rig_named(scenario.rig if rig is None else rig)
    ready = rig_for(scenario, own)
    plan = job_for(scenario, ready, job)
    if plan is not None and controller == "plain":
        raise TrialError("the plain loop of comparison follows no job; leave --plain or --job out")
    try:
        sim = simulate(world_for(scenario, ground), truth_for(scenario, ready), seed)
    except ValueError as error:
        raise TrialError(f"trial {scenario.name}: {error}") from error
    for event in scenario.events:
        if event.device is not None and event.device not in sim.devices:
            raise TrialError(f"an event breaks {event.device}, which rig {ready.name} has not")
    start_m = None if plan is None else start_chainage(scenario)
    return Loop(scenario, ready, sim, _controller(controller, ready, plan, start_m), plan)


def _controller(kind: Kind, rig: Rig, job: Job | None, start_m: float | None) -> ControllerLike:
    if kind == "linehold":
        return Controller(rig, job, start_m)
    try:
        return PlainLoop(rig)
    except ValueError as error:
        raise TrialError(f"rig {rig.name}: {error}") from error


def _open_journal(path: Path | None, scenario: Scenario, seed: int, loop: Loop) -> Journal | None:
    if path is None:
        return None
    if not isinstance(loop.controller, Controller):
        raise TrialError("the plain loop keeps no journal: a replay is of Linehold's controller")
    header = Header(
        rig="",  # as set up for the trial, it stands in settings
        settings=loop.rig.model_dump(mode="json"),
        started=datetime.now(UTC).isoformat(timespec="seconds"),
        notes={"trial": scenario.name, "seed": str(seed), "simulated": "yes"},
        job={} if loop.job is None else loop.job.model_dump(mode="json"),
        start_m=None if loop.job is None else start_chainage(scenario),
    )
    return Journal(path, header, loop.controller, loop.rig.control.tick_hz)
