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
from collections.abc import Callable

from drivers.simulated.rig import SimulatedRig
from firmware_py.controller import Controller
from firmware_py.journal.ring import Ring, Writer
from firmware_py.messages import Record
from firmware_py.trial.plain import PlainLoop
from firmware_py.trial.run import START_S, ControllerLike
from firmware_py.trial.scenario import find_trial, load_trial
from firmware_py.trial.script import Script
from firmware_py.trial.setup import rig_for, rig_named, truth_for, world_for

TICK_S = 0.01


def closed_loop(make: Callable, seconds: float) -> tuple[list[float], float, list[Record]]:
    """Cost of every tick (s), of the whole run (s), and its records."""
    scenario = load_trial(find_trial("footpath-string"))
    rig = rig_for(scenario, rig_named("reference"))
    sim = SimulatedRig(world_for(scenario, None), truth_for(scenario, rig), 1)
    controller: ControllerLike = make(rig)
    script = Script(scenario, rig, sim)
    costs, records, tick = [], [], None
    gc.collect()
    gc.freeze()
    gc.disable()  # as the loop does
    started = time.perf_counter()
    for n in range(round(seconds / TICK_S)):
        now = START_S + n * TICK_S
        requests, samples = script.requests(now - START_S, tick), tuple(sim.read(now))
        before = time.perf_counter()
        tick = controller.step(now, samples, requests)
        costs.append(time.perf_counter() - before)
        sim.write(controller.command)
        sim.person.cue(now, tick.steer_m)
        records.append(Record(now, samples, requests, tick))
    gc.enable()
    return costs, time.perf_counter() - started, records


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
    plain, _, _ = closed_loop(PlainLoop, seconds)
    costs, spent, records = closed_loop(Controller, seconds)
    base = share(plain, 0.5)
    put = journal(records)
    row("one tick, median", f"{share(costs, 0.5) * 1e3:.3f} ms", "100 Hz, 200 Hz inertial")
    row("one tick, 99.9 %", f"{share(costs, 0.999) * 1e3:.3f} ms", "limit 0.4 ms")
    row("one tick, worst", f"{max(costs) * 1e3:.3f} ms", "")
    row("one tick to the plain loop's", f"{share(costs, 0.5) / base:.2f} x", "medians, same run")
    row("a record into the journal's ring", f"{put / share(costs, 0.5):.3f} x", "of a tick")
    row("simulated rig and script to the controller", f"{spent / sum(costs) - 1:.2f} x", "")
    row("closed loop against real time", f"{seconds / spent:.0f} x", "one core, limit 30 x")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    row("memory at its peak", f"{peak:.0f} MB", "simulator and its ground included")
    return 0


if __name__ == "__main__":
    sys.exit(main())
