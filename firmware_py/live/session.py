"""One live run: the keeper starts rig, loop, recording and screen, watches, and ends them in order.

The keeper is no part of the loop's time. It holds the ring and both ends' pipes, hears signals,
tells listeners of deaths, and makes the report. When the keeper itself dies, the loop is told to
terminate by the system, and ends with the valves neutral.
"""

from __future__ import annotations

import datetime
import math
import os
import secrets
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import msgspec

from drivers.inputs import Pin
from drivers.samples import NO_MESSAGE
from firmware_py.devices.which import drives_alone, real_tables, simulated_devices
from firmware_py.job import Job
from firmware_py.journal.header import Header
from firmware_py.journal.ring import Ring
from firmware_py.link.address import default_path, refuse_in_use
from firmware_py.live.ignition import Ignition
from firmware_py.live.keeper import Keeper
from firmware_py.live.operator import GAVE_UP
from firmware_py.live.plans import LoopPlan, LoopReport, RigPlan
from firmware_py.live.processes import end, start, wait_ready
from firmware_py.live.recording import Recording, new_recording
from firmware_py.live.report import FAULT, GOOD, IGNITION, INTERRUPTED, SIGNALLED, Report
from firmware_py.live.screen import Screen
from firmware_py.settings import SIMULATED, Rig
from firmware_py.twin import twin

LOOP = "firmware_py.live.loop_process"
RIG = "firmware_py.live.rig_process"
START_S = 20.0  # for a process to come up on a busy small computer
LEAVE_S = 3.0  # for a process to go once it is asked
EVERY_S = 0.1  # between two looks of the keeper
SIGNALS = {  # and the exit codes that they lead to
    signal.SIGINT: INTERRUPTED,
    signal.SIGTERM: SIGNALLED + signal.SIGTERM,
    signal.SIGHUP: SIGNALLED + signal.SIGHUP,
}


@dataclass(frozen=True)
class Plan:
    """What is to be run; rig_text is the rig file as it stands, for the recording.

    rig: with what commissioning has put in force; stated: as the file has it, which is what a
    simulated machine is. state: where the engaged hours are counted.
    """

    rig: Rig
    rig_text: str
    folder: Path
    headless: bool = False
    as_json: bool = False
    for_s: float = math.inf
    seed: int = 1
    link: Path | None = None  # None: the user's own runtime folder
    drives_itself: bool = True  # the simulated driver
    truth: Path | None = None  # for whoever judges a simulated run
    options: Path | None = None  # of the dashboard
    sound: bool = True
    stated: Rig | None = None
    state: Path | None = None
    calibrated: tuple[str, ...] = ()
    ignition: Pin | None = None  # already open; true while the ignition is on
    told: tuple[str, ...] = ()  # what a person must know of this rig
    job: Job | None = None
    start_m: float | None = None  # chainage at the start; None: the job's first station

    @property
    def plain_job(self) -> dict[str, object]:
        """The job as its processes and the recording take it; empty without one."""
        return {} if self.job is None else self.job.model_dump(mode="json")

    @property
    def simulates(self) -> bool:
        """Something of this rig is simulated."""
        valves = self.rig.valves is not None and self.rig.valves.kind == SIMULATED
        return valves or bool(simulated_devices(self.rig))

    @property
    def link_path(self) -> Path:
        return self.link or default_path()


class Signals:
    """The keeper's: the first asks the loop to end, a second tears everything down."""

    def __init__(self) -> None:
        self.code = GOOD
        self.asked = self.torn = False

    def __call__(self, number: int, _: FrameType | None) -> None:
        """The handler."""
        self.torn = self.asked
        self.asked = True
        if self.code == GOOD:
            self.code = SIGNALS[signal.Signals(number)]

    @contextmanager
    def heard(self) -> Iterator[None]:
        """Installed while the block runs; Ctrl-Z and a terminal that is held are not obeyed."""
        before = {number: signal.signal(number, self) for number in SIGNALS}
        for number in (signal.SIGTSTP, signal.SIGTTOU, signal.SIGTTIN):
            before[number] = signal.signal(number, signal.SIG_IGN)
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


class Loop:
    """The loop's process and the simulated rig's, as the keeper holds them."""

    def __init__(self, plan: Plan, ring: Ring, recording: Path, keeper_word: str) -> None:
        settings, link = plan.rig.model_dump(mode="json"), str(plan.link_path)
        for_s = plan.for_s if math.isfinite(plan.for_s) else None
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with ours, theirs:
            self.rig: subprocess.Popen[bytes] | None = None
            if plan.simulates:
                behind = twin(plan.stated or plan.rig).model_dump(mode="json")
                self.rig, self._rig_ready = _start(RIG, theirs.fileno(), lambda told: RigPlan(
                    behind, plan.seed, theirs.fileno(), told, link, os.getpid(),
                    plan.drives_itself and drives_alone(plan.rig), not plan.headless,
                    str(plan.truth or ""),
                ))  # fmt: skip
            wire = ours.fileno() if plan.simulates else None
            self.process, self._report = _start(LOOP, ours.fileno(), lambda told: LoopPlan(
                settings, link, keeper_word, ring.name, str(recording), wire, told,
                os.getpid(), for_s, plan.told, plan.plain_job, plan.start_m,
            ))  # fmt: skip

    def wait_ready(self) -> None:
        """Until both are up; StartError, and neither of them, when one does not come up."""
        try:
            if self.rig is not None:
                wait_ready(self._rig_ready, self.rig, "the simulated rig", START_S)
            wait_ready(self._report, self.process, "the loop", START_S)
        except OSError:
            end(self.process, LEAVE_S)
            self.leave()
            os.close(self._report)
            raise
        finally:
            if self.rig is not None:
                os.close(self._rig_ready)

    @property
    def rig_died(self) -> bool:
        """The simulated rig's process has gone."""
        return self.rig is not None and self.rig.poll() is not None

    def leave(self) -> None:
        """The simulated rig goes last."""
        if self.rig is not None:
            end(self.rig, LEAVE_S)

    def stop(self) -> None:
        """Ask it to end, valves neutral."""
        if self.process.poll() is None:
            self.process.terminate()

    def report(self) -> LoopReport | None:
        """What it says of itself once it has ended; None when it was killed."""
        with open(self._report, "rb", closefd=True) as pipe:
            data = pipe.read()
        with suppress(*NO_MESSAGE):
            return msgspec.json.decode(data, type=LoopReport)
        return None


def _start(
    module: str, fd: int, plan: Callable[[int], object]
) -> tuple[subprocess.Popen[bytes], int]:
    """Start a process; with it the pipe by which it says that it is ready, and how it ended."""
    read, write = os.pipe()
    try:
        return start(module, plan=plan(write), fds=(fd, write)), read
    finally:
        os.close(write)


def run(plan: Plan) -> Report:
    """Run until the path's end, plan.for_s, a signal, or somebody's wish to stop."""
    refuse_in_use(plan.link_path)  # before anything is made
    path = new_recording(plan.folder)
    ring = Ring.create(plan.rig.control.tick_hz)
    word, signals = secrets.token_hex(16), Signals()
    try:
        with signals.heard():
            loop = Loop(plan, ring, path, word)
            screen = Screen.open(plan.link_path, plan)  # all come up at the same time
            try:
                loop.wait_ready()
            except OSError:
                screen.close(0.0)
                raise
            recording = Recording(ring, path, _header(plan))
            keeper = Keeper(
                plan.rig, plan.link_path, word, recording, screen, ignition=_ignition(plan),
                state=plan.state,
            )  # fmt: skip
            _keep(loop, keeper, signals)
            code = loop.process.wait()
            screen.close(LEAVE_S)
            stored = recording.close()
            keeper.close()
            loop.leave()
            keeper.engaged.close()
            if code < 0:  # killed: it could not take its socket away
                plan.link_path.unlink(missing_ok=True)
            return _judge(loop.report(), code, signals.code, keeper, stored)
    finally:
        ring.close()


def _ignition(plan: Plan) -> Ignition | None:
    if plan.ignition is None:
        return None
    return Ignition(plan.ignition, plan.rig.ignition.off_s)


def _keep(loop: Loop, keeper: Keeper, signals: Signals) -> None:
    """Look after all of them until the loop has ended."""
    asked = False
    while loop.process.poll() is None:
        keeper.look(time.monotonic())
        # after the loop's goodbye the rig may well be gone before the loop is
        died = loop.rig_died and not (asked or keeper.over)
        if died:
            keeper.problem("The simulated rig's process died; the run was ended.")
        if (signals.asked or died or keeper.overdue) and not asked:
            asked = True
            loop.stop()
        if signals.torn:
            loop.process.kill()
        with suppress(subprocess.TimeoutExpired):
            loop.process.wait(EVERY_S)
    keeper.look(time.monotonic())


def _judge(
    report: LoopReport | None, code: int, signalled: int, keeper: Keeper, stored: bool
) -> Report:
    problems = list(keeper.problems)
    if not stored:
        problems.append("The recording is incomplete: its process failed.")
    if report is None:
        report = _killed(code)
    if keeper.ring_dropped:
        problems.append(f"After a stall too large to be recorded: {keeper.ring_dropped} records.")
    bad = report.failed or report.why.startswith(GAVE_UP)
    final = FAULT if bad else signalled or (FAULT if problems else GOOD)
    if keeper.ignition_off and not signalled:  # whatever else: the power is about to go
        final = IGNITION
    return Report(final, report, tuple(map(str, keeper.recording.paths)), tuple(problems),
                  keeper.dropped)  # fmt: skip


def _killed(code: int) -> LoopReport:
    name = signal.Signals(-code).name if code < 0 else f"exit code {code}"
    words = f"The loop's process died ({name}). The valves were shut by their lease."
    return LoopReport(words, "", True, words, {}, 0, ())


def _header(plan: Plan) -> Header:
    return Header(
        rig=plan.rig_text,
        settings=plan.rig.model_dump(mode="json"),
        started=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        notes={
            "run": _run_words(plan.rig),
            "seed": str(plan.seed),
            "in force": ", ".join(plan.calibrated),
        },
        job=plan.plain_job,
        start_m=plan.start_m,
    )


def _run_words(rig: Rig) -> str:
    real = real_tables(rig)
    return f"live; real: {', '.join(real)}" if real else "simulated rig, live"
