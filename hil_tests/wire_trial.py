"""A string trial with every device a stand-in on a wire, against the same on simulated devices.

    python -m hil_tests.wire_trial                      both wirings, three seeds; some minutes
    python -m hil_tests.wire_trial --wiring board --seeds 1 --distance 30 --json

Exit code 1 when a figure of the two differs by more than 10 %, or the outcome of a trial.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

from firmware_py.settings_file import parse
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import Scenario
from hil_tests.wired import WIRINGS, PlainRig, WiredRig, rig_file

AGREE = 0.10  # share by which the figures may differ
TRIAL = """
name = "wires"
words = "A straight path beside a string."
distance_m = {distance}
crossfall_pct = 2.0
path = [{{ length_m = {length} }}]
[left]
kind = "string"
"""
Figures = dict[str, float]
Summary = dict[str, Any]


def scenario(distance_m: float) -> Scenario:
    """A straight path of so many metres."""
    text = TRIAL.format(distance=distance_m, length=distance_m + 6.0)
    return parse(text, "wires", Scenario)


COMPARED = ("string_rms_mm", "string_p95_mm", "crossfall_rms_pct")  # of the guided end, and both


def pair(wiring: str, distance_m: float, seed: int, air: Path) -> tuple[Summary, Summary]:
    """The same trial and seed: on simulated devices, and read through wires."""
    rig, trial = rig_file(wiring, air), scenario(distance_m)
    plain = run_trial(trial, rig, seed, simulate=partial(PlainRig, wiring=wiring))
    wired = run_trial(trial, rig, seed, simulate=partial(WiredRig, rig=rig, air=air))
    return plain.summary, wired.summary


def pooled(summaries: list[Summary]) -> Figures:
    """Over all seeds: root mean square of rms, mean of the 95 % figures."""
    out = {}
    for name in COMPARED:
        found = [float(one[name]) for one in summaries]
        square = "rms" in name
        mean = sum(v * v if square else v for v in found) / len(found)
        out[name] = math.sqrt(mean) if square else mean
    return out


def compare(wiring: str, distance_m: float, seeds: list[int]) -> dict[str, Any]:
    """Both ways over all seeds, pooled, and by what share they differ."""
    plain, wired = [], []
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            one, other = pair(wiring, distance_m, seed, Path(folder) / "temperature")
            plain.append(one)
            wired.append(other)
            _say(f"  {wiring}, seed {seed}: {_row(one)} simulated, {_row(other)} wired")
    a, b = pooled(plain), pooled(wired)
    off = {name: b[name] / a[name] - 1.0 for name in COMPARED}
    outcomes = [[one["outcome"] for one in found] for found in (plain, wired)]
    return {
        "wiring": wiring, "seeds": seeds, "distance_m": distance_m, "simulated": a, "wired": b,
        "differs": off, "outcomes": outcomes, "faults": [one["faults"] for one in wired],
        "agrees": max(map(abs, off.values())) <= AGREE and outcomes[0] == outcomes[1],
    }  # fmt: skip


def _row(summary: Summary) -> str:
    return (
        f"rms {summary['string_rms_mm']:.2f} mm, 95 % {summary['string_p95_mm']:.2f} mm, "
        f"crossfall {summary['crossfall_rms_pct']:.3f} %"
    )


def _say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--wiring", choices=[*WIRINGS], action="append", help="default: both")
    parser.add_argument("--seeds", type=int, default=3, help="1 to so many (3)")
    parser.add_argument("--distance", type=float, default=60.0, help="m a trial (60)")
    parser.add_argument("--json", action="store_true", help="one JSON list")
    args = parser.parse_args()
    seeds = list(range(1, args.seeds + 1))
    found = [compare(wiring, args.distance, seeds) for wiring in args.wiring or WIRINGS]
    if args.json:
        print(json.dumps(found))
    for one in [] if args.json else found:
        print(f"{one['wiring']}: {'agrees' if one['agrees'] else 'DIFFERS'}")
        for name in COMPARED:
            a, b, off = one["simulated"][name], one["wired"][name], one["differs"][name]
            print(f"  {name:18s} simulated {a:.3f}, wired {b:.3f}, {100 * off:+.1f} %")
    sys.exit(0 if all(one["agrees"] for one in found) else 1)


if __name__ == "__main__":
    main()
