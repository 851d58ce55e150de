"""The simulated rig as a process of its own, with its simulated driver: `python -m ... < plan`.

It stands where the machine and the valves' own processor stand on a real rig: when the loop
dies, the lease shuts the oil here. The driver looks at the link as any listener does.
"""

from __future__ import annotations

import math
import os
import signal
import socket
import sys
import time
from pathlib import Path

import msgspec

from drivers.simulated.host import RigHost, ask_person
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.wire import PersonBegins, PersonDrives, ToPerson
from firmware_py.link.client import Coming
from firmware_py.link.frames import Ask, Beat, Stop, Told
from firmware_py.live.operator import GAVE_UP, Operator
from firmware_py.live.plans import RigPlan
from firmware_py.live.processes import die_with, ready, starting
from firmware_py.live.realtime import raise_priority
from firmware_py.live.scene import SPEED_MPS, WAY_M
from firmware_py.live.simulated import simulated
from firmware_py.messages import Tick
from firmware_py.settings import Rig

STEP_S = 0.005  # twice the loop's rate: a sample waits at most so long
STAND_S = 1.0  # after the loop has gone, the oil is seen to stop
RIG_PRIORITY = 35  # below the loop's: devices do not wait for a busy computer either


class Driver:
    """The simulated person: looks at the link, steers by the cue, does what the operator would."""

    def __init__(self, rig: SimulatedRig, link: Path, drives_itself: bool, waits: bool) -> None:
        self._person = rig.person
        self._operator = Operator(rig.person, SPEED_MPS, WAY_M)
        self._by_itself, self._waits = drives_itself, waits
        self._client = Coming(link, "simulated driver", math.inf)
        self._told = False

    def asked(self, what: ToPerson) -> None:
        """Somebody at a dashboard has read the cautions, or takes over."""
        self._waits = False
        if isinstance(what, PersonBegins):
            return
        if isinstance(what, PersonDrives) and what.speed_mps is None:
            self._by_itself = True
            return
        self._by_itself = False
        ask_person(self._person, what)

    def step(self) -> None:
        """Look at the screen and act."""
        for frame in self._client.poll():
            if isinstance(frame, Beat):
                self._see(frame.tick)
            elif isinstance(frame, Told):
                self._operator.hear(frame.answer)
        for request in self._operator.take():
            self._client.send(Ask(request))
        if self._by_itself and self._operator.finished and not self._told:
            self._told = True
            failed = self._operator.failed
            why = f"{GAVE_UP}: {failed}" if failed else "the end of the path was reached"
            self._client.send(Stop(0, why))

    def _see(self, tick: Tick) -> None:
        if self._by_itself and not self._waits:
            self._operator.put(tick)
        else:
            self._person.cue(tick.time_s, tick.steer_m)


class TruthFile:
    """A line a step of where the blade truly is; written here and read by no controller."""

    def __init__(self, path: str) -> None:
        self._file = open(path, "w", encoding="ascii")  # noqa: SIM115  open while the rig is
        self._file.write(
            "time_s,left_error_mm,right_error_mm,left_valve,right_valve,left_oil,right_oil,"
            "speed_mps\n"
        )

    def put(self, now_s: float, rig: SimulatedRig) -> None:
        """One line."""
        t, (left, right) = rig.truth(), rig.valve_output(now_s)
        self._file.write(
            f"{now_s:.4f},{t.left_error_m * 1e3:.2f},{t.right_error_m * 1e3:.2f},{left:.4f},"
            f"{right:.4f},{t.left_oil},{t.right_oil},{t.speed_mps:.3f}\n"
        )
        self._file.flush()


def run(plan: RigPlan) -> None:
    """Until nobody holds the other end of the wire."""
    with starting(plan.ready_fd):
        rig = simulated(Rig.model_validate(plan.settings), plan.seed)
    driver = Driver(rig, Path(plan.link), plan.drives_itself, plan.waits)
    host = RigHost(rig, socket.socket(fileno=plan.wire_fd), driver.asked)
    truth = TruthFile(plan.truth) if plan.truth else None
    host.step(time.monotonic())
    raise_priority(RIG_PRIORITY)
    ready(plan.ready_fd)
    left: float | None = None
    due = time.monotonic()
    while left is None or due - left < STAND_S:
        due = max(due + STEP_S, time.monotonic() - STEP_S)
        time.sleep(max(due - time.monotonic(), 0.0))
        now = time.monotonic()
        host.step(now)
        driver.step()
        if truth is not None:
            truth.put(now, rig)
        if host.gone and left is None:
            left = now


def main() -> None:
    """Signals of the terminal are the keeper's business."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTSTP):
        signal.signal(number, signal.SIG_IGN)
    plan = msgspec.json.decode(sys.stdin.buffer.read(), type=RigPlan)
    die_with(plan.parent)
    try:
        run(plan)
    except KeyboardInterrupt:
        os._exit(1)


if __name__ == "__main__":
    main()
