"""A loop, a rig or both that stand still for moments, in virtual time: what the guard says of it.

    python -m hil_tests.stalls [--runs 40] [--least-ms 20] [--most-ms 250] [--every-s 1.5] [--json]

The loop ticks at absolute deadlines and skips those that it missed, the simulated rig steps each
5 ms as its process does; a stall holds one of them or both up. Meanwhile the valves keep their last
command until the lease of 200 ms shuts them, and samples come in a burst. Asked: no row of the
fault table that accuses string, valves or driver. Exit code 1 when there was one.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from drivers.samples import AnySample, ValveCommand
from firmware_py.controller import Controller
from firmware_py.live.scene import SPEED_MPS
from firmware_py.live.simulated import simulated
from firmware_py.messages import AnyRequest, Engage, Mode, Nudge, SetDatum, Side, Tick
from firmware_py.settings_file import find_rig, load_rig

START_S, STAND_S, RUN_S = 500.0, 2.5, 15.0
TICK_S, STEP_S = 0.01, 0.005
FALSE = ("reference jumped", "uncommanded motion", "valve does not answer", "error too large")
HELD_UP = ("loop", "rig", "both")


class Stall(NamedTuple):
    """Who stands still, from when to when."""

    who: str
    start_s: float
    end_s: float


def stalls(
    rng: random.Random, who: str, least_s: float, most_s: float, every_s: float
) -> list[Stall]:
    """Moments of chance from a second after engaging on."""
    found, at = [], STAND_S + 1.5
    while at < RUN_S:
        long = rng.uniform(least_s, most_s)
        found.append(Stall(who, at, at + long))
        at += long + rng.expovariate(1.0 / every_s) + 0.02
    return found


def held(now_s: float, who: str, all_of: Sequence[Stall]) -> float:
    """When somebody who is due now really runs."""
    for stall in all_of:
        if stall.who in {who, "both"} and stall.start_s <= now_s < stall.end_s:
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


@dataclass
class Person:
    """Sets the datum, engages, nudges now and then, and engages again when it was taken away."""

    rng: random.Random
    engaged: bool = False
    next_s: float = STAND_S

    def asks(self, time_s: float, tick: Tick | None) -> list[AnyRequest]:
        if time_s < self.next_s:
            return []
        if not self.engaged:
            return [SetDatum(1, Side.LEFT), Engage(2)]
        if tick is not None and tick.mode is not Mode.AUTO:
            self.next_s = time_s + 0.5
            return [Engage(2)]
        self.next_s = time_s + self.rng.uniform(0.5, 1.5)
        return [Nudge(3, Side.LEFT, self.rng.choice((-0.004, 0.004)))]


@dataclass
class Run:
    """One run: faults that began after engaging, and whether it was automatic at its end."""

    seed: int
    all_of: Sequence[Stall]
    faults: Counter[str] = field(default_factory=Counter)
    automatic: bool = False

    def go(self, rng: random.Random) -> Run:
        settings = load_rig(find_rig("reference"))
        controller, sim = Controller(settings), simulated(settings, self.seed)
        sim.person.enable(True)
        person = Person(rng)
        waiting: list[AnySample] = []
        command: ValveCommand | None = None
        before: set[str] = set()
        tick: Tick | None = None
        for time_s, runs in moments(self.all_of):
            now = START_S + time_s
            if runs == "rig":
                waiting += sim.read(now)
                if command is not None:
                    sim.write(command)
                if tick is not None:
                    sim.person.cue(now, tick.steer_m)
                command = None
                continue
            tick = controller.step(now, tuple(waiting), person.asks(time_s, tick))
            waiting.clear()
            command = controller.command
            if controller.guard.engaged and not person.engaged:
                person.engaged = True
                sim.person.drive(SPEED_MPS)
            if person.engaged:
                self.faults.update(set(tick.faults) - before)
                before = set(tick.faults)
        self.automatic = tick is not None and tick.mode is Mode.AUTO
        return self


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=40, help="with each of loop, rig, both held up")
    parser.add_argument("--least-ms", type=float, default=20.0)
    parser.add_argument("--most-ms", type=float, default=250.0)
    parser.add_argument("--every-s", type=float, default=1.5, help="between two stalls, on average")
    parser.add_argument("--json", action="store_true", help="one object a line")
    asked = parser.parse_args()
    bad = 0
    for who in HELD_UP:
        rows = []
        for seed in range(1, asked.runs + 1):
            rng = random.Random(seed)
            spans = asked.least_ms * 1e-3, asked.most_ms * 1e-3, asked.every_s
            rows.append(Run(seed, stalls(rng, who, *spans)).go(rng))
            if sys.stderr.isatty():
                print(f"\r{who}: {seed} of {asked.runs}", end="", file=sys.stderr, flush=True)
        total = sum((one.faults for one in rows), Counter[str]())
        found = {
            "held up": who, "runs": len(rows), "stalls": sum(len(one.all_of) for one in rows),
            "automatic at the end": sum(one.automatic for one in rows), "faults": dict(total),
        }  # fmt: skip
        bad += sum(total[name] for name in FALSE)
        print(json.dumps(found) if asked.json else found, flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
