"""One live run from start to end: the processes, the loop, signals, and what it all came to.

The loop runs in this process and in its main thread. Journal and view are processes of their
own and started first, so that neither inherits the loop's priority nor ever shares its time.
"""

from __future__ import annotations

import datetime
import math
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from firmware_py.controller import Controller
from firmware_py.journal.header import Header
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Listener
from firmware_py.live.children import LINES, TEXT_VIEW, View, Watch, aside
from firmware_py.live.operator import Operator
from firmware_py.live.pipes import Hello, Kind
from firmware_py.live.realtime import Measure, realtime
from firmware_py.live.report import FAULT, GOOD, INTERRUPTED, SIGNALLED, Report
from firmware_py.live.simulated import SPEED_MPS, WAY_M, simulated
from firmware_py.loop import Ended, Loop, MonotonicClock, RequestSource
from firmware_py.messages import AnyRequest, Tick
from firmware_py.settings import MM, Rig

SIGNALS = {
    signal.SIGINT: ("interrupted", INTERRUPTED),
    signal.SIGTERM: ("told to terminate", SIGNALLED + signal.SIGTERM),
    signal.SIGHUP: ("the terminal hung up", SIGNALLED + signal.SIGHUP),
}
JOURNAL_S = 10.0  # for the journal to store the rest


@dataclass(frozen=True)
class Plan:
    """What is to be run; rig_text is the rig file as it stands, for the recording."""

    rig: Rig
    rig_text: str
    folder: Path
    headless: bool = False
    as_json: bool = False
    for_s: float = math.inf
    seed: int = 1


class Sources:
    """Several sources of requests as one."""

    def __init__(self, *sources: RequestSource) -> None:
        self._sources = sources

    def take(self) -> Sequence[AnyRequest]:
        """What each of them has, in order."""
        return [request for source in self._sources for request in source.take()]


class Finish:
    """An outlet that ends the run once the simulated person has finished."""

    def __init__(self, operator: Operator, stop: Callable[[str], None]) -> None:
        self._operator, self._stop = operator, stop

    def put(self, tick: Tick) -> None:
        """Look at the person, not at the tick."""
        if self._operator.finished:
            self._stop(self._operator.failed or "the end of the path was reached")


class Signals:
    """Turns signals into a stop of the loop; a second one tears it out, valves neutral still."""

    def __init__(self, stop: Callable[[str], None]) -> None:
        self._stop = stop
        self.code = GOOD

    def __call__(self, number: int, _: FrameType | None) -> None:
        """The handler."""
        if self.code != GOOD:
            raise KeyboardInterrupt
        words, self.code = SIGNALS[signal.Signals(number)]
        self._stop(words)

    @contextmanager
    def heard(self) -> Iterator[None]:
        """Installed while the block runs. Ctrl-Z is not: a loop that is frozen leads nothing."""
        before = {number: signal.signal(number, self) for number in SIGNALS}
        before[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def run(plan: Plan) -> Report:
    """Run until the path's end, plan.for_s, a signal, or the view's wish to stop."""
    rig = plan.rig
    devices = simulated(rig, plan.seed)
    operator = Operator(devices.person, SPEED_MPS, WAY_M)
    controller, clock = Controller(rig), MonotonicClock()
    path = new_recording(plan.folder)
    ring = Ring.create(rig.control.tick_hz)
    try:
        journal = Listener(ring, path, _header(plan))
        view = _open_view(plan)
        sources = Sources(operator, view.requests)
        loop = Loop(
            controller, devices, clock, Writer(ring), outlets=[view.outlet, operator],
            requests_source=sources, tick_hz=rig.control.tick_hz,
        )  # fmt: skip
        watch = Watch(journal, view, loop.stop, aside)
        loop.outlets += [watch, Finish(operator, loop.stop)]
        signals = Signals(loop.stop)
        with signals.heard():
            view.outlet.send(Kind.HELLO, _hello(plan, path, clock.now()))
            ended, measures = _turn(loop, clock, view, plan.for_s)
            view.close()
            stored = journal.stop(JOURNAL_S)
        problems = _problems(operator, watch, stored, ring.dropped)
    finally:
        ring.close()
    code = FAULT if ended.failed else signals.code or (FAULT if problems else GOOD)
    return Report(
        code, ended, str(path), problems, tuple(m.words for m in measures), view.outlet.dropped
    )


def _turn(
    loop: Loop, clock: MonotonicClock, view: View, for_s: float
) -> tuple[Ended, tuple[Measure, ...]]:
    """The loop under real time; the view tells what was not permitted."""
    with realtime() as measures:
        for measure in measures:
            if not measure.done:
                view.outlet.send(Kind.NOTE, measure.words)
        return loop.run(clock.now() + for_s), measures


def _open_view(plan: Plan) -> View:
    if plan.headless:
        return View(LINES, *(["--json"] if plan.as_json else []))
    return View(TEXT_VIEW)


def _hello(plan: Plan, path: Path, now_s: float) -> Hello:
    rig = plan.rig
    return Hello(
        rig.name, True, str(path), rig.control.master, rig.blade.width_mm * MM, now_s
    )  # fmt: skip


def _header(plan: Plan) -> Header:
    return Header(
        rig=plan.rig_text,
        settings=plan.rig.model_dump(mode="json"),
        started=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        notes={"run": "simulated rig, live", "seed": str(plan.seed)},
    )


def new_recording(folder: Path) -> Path:
    """A file of its own in the folder, made now: what cannot be recorded must not begin."""
    folder.mkdir(parents=True, exist_ok=True)
    stamp = datetime.datetime.now().strftime("run-%Y%m%d-%H%M%S")
    for ending in ("", *(f"-{n}" for n in range(2, 100))):
        path = folder / f"{stamp}{ending}.mcap"
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
        except FileExistsError:
            continue
        return path
    raise FileExistsError(f"{folder} already holds 99 recordings of this second")


def _problems(operator: Operator, watch: Watch, stored: bool, dropped: int) -> tuple[str, ...]:
    """A sentence for all that went wrong beside the loop itself."""
    told = [f"The driver gave up: {operator.failed}"] if operator.failed else []
    if watch.journal_died or not stored:
        told.append("The recording is incomplete: its process failed.")
    if dropped:
        told.append(f"Too large for the recording after a stall: {dropped} records.")
    return tuple(told)
