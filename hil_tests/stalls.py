"""A loop, a rig or both that stand still for moments, in virtual time: what the guard says of it.

    python -m hil_tests.stalls [--runs 200] [--json]

The loop ticks at absolute deadlines and skips those that it missed, the simulated rig steps each
5 ms as its process does; a stall of 20 to 250 ms holds one of them or both up. Meanwhile the
valves keep their last command until the lease of 200 ms shuts them, and samples come in a burst.
A row of the fault table that accuses string or valves then is a false word.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from drivers.samples import AnySample, ValveCommand
from firmware_py.controller import Controller
from firmware_py.live.scene import SPEED_MPS
from firmware_py.live.simulated import simulated
from firmware_py.messages import Engage, Mode, Nudge, SetDatum, Side
from firmware_py.settings_file import find_rig, load_rig

START_S, STAND_S, RUN_S = 500.0, 2.5, 15.0
TICK_S, STEP_S = 0.01, 0.005
import os
STALL_S = tuple(float(x) for x in os.environ.get("STALL","0.02,0.25").split(","))
EVERY_S = float(os.environ.get("EVERY","1.5"))
FALSE = ("reference jumped", "uncommanded motion", "valve does not answer", "error too large")
HELD_UP = ("loop", "rig", "both")


class Stall(NamedTuple):
    """Who stands still, from when to when."""

    who: str
    start_s: float
    end_s: float


class Outcome(NamedTuple):
    """One run: faults that began after engaging, automatic at its end, stalls, worst error."""

    faults: Counter[str]
    automatic: bool
    stalls: int
    worst_mm: float


def stalls(rng: random.Random, who: str) -> list[Stall]:
    """Moments of chance from a second after engaging on."""
    found, at = [], STAND_S + 1.5
    while at < RUN_S:
        long = rng.uniform(*STALL_S)
        found.append(Stall(who, at, at + long))
        at += long + rng.expovariate(1.0 / EVERY_S) + 0.02
    return found


def held(now_s: float, who: str, all_of: Sequence[Stall]) -> float:
    """When somebody who is due now really runs."""
    for stall in all_of:
        if stall.who in (who, "both") and stall.start_s <= now_s < stall.end_s:
            return stall.end_s
    return now_s


def moments(all_of: Sequence[Stall]) -> Iterator[tuple[float, str]]:
    """Each step of the rig and each tick of the loop with the time at which it runs, in order."""
    due = {"rig": 0.0, "loop": 0.0}
    period = {"rig": STEP_S, "loop": TICK_S}
    while min(due.values()) < RUN_S:
        at = {who: held(time_s, who, all_of) for who, time_s in due.items()}
        who = min(("rig", "loop"), key=at.__getitem__)
        yield at[who], who
        n = int((at[who] - due[who]) / period[who] + 1e-9) + 1  # what was missed is skipped
        due[who] = round(due[who] + n * period[who], 6)


def run(seed: int, who: str, rig_name: str = "reference") -> Outcome:
    """One run with stalls of one kind."""
    rng = random.Random(seed)
    settings = load_rig(find_rig(rig_name))
    controller, sim = Controller(settings), simulated(settings, seed)
    sim.person.enable(True)
    all_of = stalls(rng, who)
    waiting: list[AnySample] = []
    command: ValveCommand | None = None
    before: set[str] = set()
    faults: Counter[str] = Counter()
    engaged, worst, nudge_s = False, 0.0, STAND_S + 2.0
    tick = None
    for time_s, runs in moments(all_of):
        now = START_S + time_s
        if runs == "rig":
            waiting += sim.read(now)
            if command is not None:
                sim.write(command)
                command = None
            if tick is not None:
                sim.person.cue(now, tick.steer_m)
            continue
        requests = []
        if time_s >= STAND_S and not engaged:
            requests = [SetDatum(1, Side.LEFT), Engage(2)]
        elif engaged and tick is not None and tick.mode is not Mode.AUTO and time_s >= nudge_s - 0.5:
            nudge_s += 0.5
            requests = [Engage(2)]
        elif engaged and time_s >= nudge_s:
            nudge_s += rng.uniform(0.5, 1.5)
            requests = [Nudge(3, Side.LEFT, rng.choice((-0.004, 0.004)))]
        tick = controller.step(now, tuple(waiting), requests)
        waiting.clear()
        command = controller.command
        if any(answer.number == 2 and answer.done for answer in tick.answers):
            engaged = True
            sim.person.drive(SPEED_MPS)
        if engaged:
            faults.update(set(tick.faults) - before)
            before = set(tick.faults)
            worst = max(worst, abs(sim.truth().left_error_m) * 1e3)
            if "reference jumped" in tick.faults and "-v" in sys.argv:
                print(seed, who, time_s, tick.why)
    return Outcome(faults, tick is not None and tick.mode is Mode.AUTO, len(all_of), worst)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("-v", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    for who in HELD_UP:
        total: Counter[str] = Counter()
        auto = n = 0
        for seed in range(asked.runs):
            one = run(seed, who)
            total += one.faults
            auto += one.automatic
            n += one.stalls
        print(who, asked.runs, n, auto, dict(total))
    return 0


if __name__ == "__main__":
    sys.exit(main())
