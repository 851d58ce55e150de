"""The loop as a process of its own: `python -m firmware_py.live.loop_process < plan`.

One thread. It holds the devices, the controller, the journal's ring and the link, and nothing
that could make it wait; who prints, draws, stores or watches is another process.
"""

from __future__ import annotations

import math
import os
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import msgspec
from msgspec import structs

from drivers.mixed import MixedRig
from drivers.simulated.wire import PersonBegins, PersonDrives, PersonEnables, PersonHand, RemoteRig
from firmware_py.controller import Controller
from firmware_py.devices.open import open_rig
from firmware_py.devices.teller import DeviceTeller, GateTeller, Marks
from firmware_py.devices.which import real_tables
from firmware_py.job import Job
from firmware_py.journal.ring import Ring, Writer
from firmware_py.link.frames import Begin, Bench, Drive, Lever, Note
from firmware_py.link.server import Server
from firmware_py.live.hello import make_hello
from firmware_py.live.notify import make_feed
from firmware_py.live.plans import LoopPlan, LoopReport
from firmware_py.live.processes import die_with, ready, starting
from firmware_py.live.realtime import realtime
from firmware_py.loop import Ended, Loop, MonotonicClock
from firmware_py.settings import SIMULATED, Rig

FASTEST_MPS = 1.5  # nobody grades faster
SIGNALS = {
    signal.SIGTERM: "told to terminate",
    signal.SIGINT: "interrupted",
    signal.SIGHUP: "the terminal hung up",
}


class Bencher:
    """What a dashboard asks of the simulated person goes down the rig's cable."""

    def __init__(self, rig: RemoteRig) -> None:
        self._rig = rig

    def __call__(self, frame: Bench) -> str:
        if isinstance(frame, Drive):
            if frame.speed_mps is not None and not abs(frame.speed_mps) <= FASTEST_MPS:
                return f"the simulated driver goes at most {FASTEST_MPS:g} m/s"
            sent = self._rig.person(PersonDrives(frame.speed_mps))
        elif isinstance(frame, Lever):
            if frame.lever is not None and not -1.0 <= frame.lever <= 1.0:
                return f"a lever goes from -1 to 1; {frame.lever:g} does not"
            sent = self._rig.person(PersonHand(frame.end.value, frame.lever))
        elif isinstance(frame, Begin):
            sent = self._rig.person(PersonBegins())
        else:
            sent = self._rig.person(PersonEnables(frame.on))
        return "" if sent else "the simulated rig does not listen"


def run(plan: LoopPlan) -> LoopReport:
    """Run until told to stop, or until the time is up."""
    stops = Stops()
    with starting(plan.report_fd):
        parts = _make(plan, stops)
    loop, server, devices, ring = parts
    stops.hear(loop.stop)
    clock = MonotonicClock()
    feed = make_feed(os.environ, loop, server.hello.tick_hz)
    if feed is not None:
        loop.outlets.append(feed)  # the last one: what it gets was complete
    with realtime() as measures:
        told = (*plan.told, *(measure.words for measure in measures))
        server.hello = structs.replace(server.hello, realtime=told)
        ready(plan.report_fd)
        devices.settle(clock.now())
        ended = loop.run(math.inf if plan.for_s is None else clock.now() + plan.for_s)
    if feed is not None:
        feed.stopping(ended.words())
    server.close(ended.words())
    ring.close()
    return _report(ended, told)


class Stops:
    """Wishes to stop, also those that come before there is a loop to stop."""

    def __init__(self) -> None:
        self._loop: Callable[[str], None] | None = None
        self._early = ""

    def __call__(self, why: str) -> None:
        """Somebody wishes it."""
        if self._loop is None:
            self._early = self._early or why
        else:
            self._loop(why)

    def hear(self, loop: Callable[[str], None]) -> None:
        """From now on the loop is told; the system's signals too."""
        self._loop = loop
        if self._early:
            loop(self._early)
        for number in SIGNALS:
            signal.signal(number, self._signal)
        signal.signal(signal.SIGTSTP, signal.SIG_IGN)  # a loop that is frozen leads nothing

    def _signal(self, number: int, _: FrameType | None) -> None:
        self(SIGNALS[signal.Signals(number)])


def _make(plan: LoopPlan, stops: Stops) -> tuple[Loop, Server, MixedRig, Ring]:
    """All parts, joined."""
    rig, clock = Rig.model_validate(plan.settings), MonotonicClock()
    behind = None if plan.wire_fd is None else RemoteRig(socket.socket(fileno=plan.wire_fd))
    devices = open_rig(rig, behind)
    person = behind if rig.motion.kind == SIMULATED else None
    hello = make_hello(
        rig, plan.recording, clock.now(), simulated=person is not None, real=real_tables(rig)
    )
    bench = None if person is None else Bencher(person)
    server = Server(Path(plan.link), hello, stops, bench=bench, keeper=plan.keeper)
    job = Job.model_validate(plan.job) if plan.job else None
    controller, ring = Controller(rig, job, plan.start_m), Ring.attach(plan.ring)
    loop = Loop(
        controller, devices, clock, Writer(ring),
        outlets=[server, DeviceTeller(controller, devices, server), GateTeller(rig, devices)],
        requests_source=Marks(server, devices, lambda words: server.tell(Note(words))),
        tick_hz=rig.control.tick_hz,
    )  # fmt: skip
    server.timing = loop
    return loop, server, devices, ring


def _report(ended: Ended, measures: tuple[str, ...]) -> LoopReport:
    return LoopReport(
        ended.words(), ended.timing_words(), ended.failed, ended.why, ended.as_dict(),
        ended.states_failed, measures,
    )  # fmt: skip


def main() -> None:
    """The plan comes by standard input; the report goes to the pipe that it names."""
    plan = msgspec.json.decode(sys.stdin.buffer.read(), type=LoopPlan)
    die_with(plan.parent)
    report = run(plan)
    os.write(plan.report_fd, msgspec.json.encode(report))
    os.close(plan.report_fd)
    sys.exit(1 if report.failed else 0)


if __name__ == "__main__":
    main()
