"""`make bench`: speed and memory, each as a ratio to a baseline measured in the same run.

Absolute figures are given only where a user feels them: one tick, and how long a trial takes.
Run: python -m tests.bench [--seconds 60]
"""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import islice

from drivers.samples import AnySample, ValveCommand
from firmware_py.controller import Controller
from firmware_py.journal.ring import Ring, Writer
from firmware_py.loop import ControllerLike
from firmware_py.messages import AnyRequest, Record, Tick
from firmware_py.trial.run import Kind, not_collecting, prepare
from firmware_py.trial.scenario import load_trial
from firmware_py.trial.setup import rig_for, rig_named

TICK_S = 0.01
AHEAD = 8  # ticks, as in a trial
REPLAYS = 4


class Timed:
    """A controller whose steps are timed."""

    def __init__(self, controller: ControllerLike) -> None:
        self._controller = controller
        self.costs: list[float] = []  # s

    @property
    def command(self) -> ValveCommand:
        return self._controller.command

    def step(
        self, now_s: float, samples: Sequence[AnySample], requests: Sequence[AnyRequest] = ()
    ) -> Tick:
        before = time.perf_counter()
        tick = self._controller.step(now_s, samples, requests)
        self.costs.append(time.perf_counter() - before)
        return tick


def closed_loop(kind: Kind, seconds: float, ahead: int) -> tuple[Timed, float, list[Record]]:
    """The timed controller, the cost of the whole run (s), and its records.

    ahead: ticks simulated before the controller takes them; 1: it comes to each with a cold cache.
    """
    loop = prepare(load_trial("footpath-string"), controller=kind)
    loop.controller = timed = Timed(loop.controller)
    loop.ahead = min(loop.ahead, ahead)
    with still():
        started = time.perf_counter()
        records = list(islice(loop.records(), round(seconds / TICK_S)))
        return timed, time.perf_counter() - started, records


@contextmanager
def still() -> Iterator[None]:
    """No garbage collection meanwhile, as in the loop."""
    gc.collect()
    gc.freeze()
    with not_collecting():
        yield


def by_itself(records: list[Record]) -> list[float]:
    """Cost of every tick (s): the least of REPLAYS, so what the computer did beside is left out."""
    runs = []
    for _ in range(REPLAYS):
        timed = Timed(Controller(rig_for(load_trial("footpath-string"),
                                         rig_named("reference"))))  # fmt: skip
        with still():
            for record in records:
                timed.step(record.time_s, record.samples, record.requests)
        runs.append(timed.costs)
    return [min(costs) for costs in zip(*runs, strict=True)]


def journal(records: list[Record]) -> float:
    """Mean cost of putting one record into the ring, s."""
    ring = Ring.local(100.0)
    writer = Writer(ring)
    started = time.perf_counter()
    for record in records:
        writer.put(record)
    spent = (time.perf_counter() - started) / len(records)
    ring.close()
    return spent


def share(costs: list[float], part: float) -> float:
    """The cost, s, below which this share of the ticks lies."""
    return sorted(costs)[min(len(costs) - 1, int(part * len(costs)))]


def row(name: str, value: str, against: str) -> None:
    print(f"{name:<44} {value:>12}   {against}")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="simulated seconds (60)")
    seconds = parser.parse_args().seconds
    base = share(closed_loop("plain", seconds, 1)[0].costs, 0.5)
    timed, _, records = closed_loop("linehold", seconds, 1)
    costs, own = timed.costs, by_itself(records)
    whole, spent, _ = closed_loop("linehold", seconds, AHEAD)
    put = journal(records)
    row("one tick, median", f"{share(costs, 0.5) * 1e3:.3f} ms", "100 Hz, 200 Hz inertial")
    row("one tick, 99.9 %", f"{share(costs, 0.999) * 1e3:.3f} ms", "limit 0.4 ms")
    row("one tick, worst", f"{max(costs) * 1e3:.3f} ms", "")
    row("the tick by itself, 99.9 %", f"{share(own, 0.999) * 1e3:.3f} ms", f"least of {REPLAYS}")
    row("one tick to the plain loop's", f"{share(costs, 0.5) / base:.2f} x", "medians, same run")
    row("a record into the journal's ring", f"{put / share(costs, 0.5):.3f} x", "of a tick")
    row("simulated rig and script to the controller", f"{spent / sum(whole.costs) - 1:.2f} x", "")
    row("closed loop against real time", f"{seconds / spent:.0f} x", "one core, limit 30 x")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    row("memory at its peak", f"{peak:.0f} MB", "simulator and its ground included")
    return 0


if __name__ == "__main__":
    sys.exit(main())
