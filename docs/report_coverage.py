"""Do the report's k = 2 intervals hold the truth? Seeded simulated runs, judged by the simulator.

    python docs/report_coverage.py                   100 runs, seeds 2000 to 2099; some minutes
    python docs/report_coverage.py --first 3000 --runs 20 --json

A run is the bundled footpath-string on a shorter path. What the report takes for granted is drawn
anew for each run: pins out of level by 1 mm (1 sigma), a tilt zero left off by 0.3 mrad. The
report sees the log alone; only this script reads the truth. Exit code 0 when each share covered
lies within 90 to 99 % and each mean half-width is at most 1.3 times twice the rms of estimate less
truth; 1 when not.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.reference import REFERENCE, G
from drivers.simulated.truth import Truth
from firmware_py.asgraded.build import build
from firmware_py.asgraded.reading import read_run
from firmware_py.asgraded.stations import Stations
from firmware_py.asgraded.uncertainty import Assumed, Known
from firmware_py.commission.estimate import K
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import Scenario, Segment, load_trial

Floats = NDArray[np.float64]

PATH_M, SPARE_M = 32.0, 6.0  # of path, and what the start and the bar's look ahead take of it
PIN_MM = 1.0  # 1 sigma of each pin's level
SHARES, WIDEST = (0.90, 0.99), 1.3  # what is to be shown
WHAT = (("left end", "mm", 1e3), ("right end", "mm", 1e3), ("crossfall", "%", 100.0))


class Judged(NamedTuple):
    """One run's stations: estimate less truth, and u, a row each for left, right, crossfall."""

    seed: int
    gap: Floats
    u: Floats


def assumed() -> Assumed:
    """As a rig's stored calibrations would say it of the simulated rig."""
    zero = Known(REFERENCE.inertial.accel_bias / G, "stored (tilt)")
    return replace(Assumed(), reference=Known(PIN_MM * 1e-3, "as given"), tilt_zero=zero)


def scenario(seed: int, path_m: float = PATH_M) -> Scenario:
    """A short footpath-string with pins out of level."""
    whole = load_trial("footpath-string")
    left = whole.left.model_copy(update={"pin_survey_mm": PIN_MM}) if whole.left else None
    path = [Segment(length_m=path_m)]
    return whole.model_copy(
        update={"seed": seed, "path": path, "distance_m": path_m - SPARE_M, "left": left}
    )


def judge(seed: int, path_m: float = PATH_M) -> Judged:
    """Drive a run, report it from its log, and hold its stations against the truth."""
    truths: list[Truth] = []

    def watch(sim: object) -> Truth:
        truths.append(sim.truth())  # type: ignore[attr-defined]
        return truths[-1]

    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "journal.mcap"
        run_trial(scenario(seed, path_m), seed=seed, journal=log, truth=watch)
        run = read_run(log)
    built = build([run], assumed=assumed())
    rows = built.stations
    true = _true(rows, run.columns.time, truths)
    gap = np.stack([rows.left, rows.right, rows.crossfall]) - true
    return Judged(seed, gap, np.stack([rows.left_u, rows.right_u, rows.crossfall_u]))


def _true(rows: Stations, time: Floats, truths: list[Truth]) -> Floats:
    """Means of the truth over each station's own ticks."""
    columns = np.array(
        [(t.left_error_m, t.right_error_m, t.crossfall - t.crossfall_target) for t in truths]
    )
    total = np.vstack([np.zeros(3), np.cumsum(columns, axis=0)])
    first = np.searchsorted(time, rows.time_s - 1e-6)
    last = np.searchsorted(time, rows.until_s + 1e-6)
    means: Floats = (total[last] - total[first]).T / (last - first)
    return means


def rows(found: list[Judged]) -> Iterator[dict[str, float | str | int]]:
    """The table: one row each for left, right, crossfall; mm and %."""
    for at, (name, unit, scale) in enumerate(WHAT):
        gap = np.concatenate([one.gap[at] for one in found])
        u = np.concatenate([one.u[at] for one in found])
        known = np.isfinite(gap) & np.isfinite(u)
        rms = float(np.sqrt(np.mean(gap[known] ** 2)))
        half = float(K * u[known].mean())
        yield {
            "what": name, "unit": unit, "runs": len(found), "stations": int(known.sum()),
            "rms": scale * rms, "half_width": scale * half, "ratio": half / (2.0 * rms),
            "covered_pct": 100.0 * float(np.mean(np.abs(gap[known]) <= K * u[known])),
        }  # fmt: skip


def shown(table: list[dict[str, float | str | int]]) -> bool:
    """Whether the table shows what is to be shown."""
    low, high = (100.0 * share for share in SHARES)
    return all(
        low <= float(row["covered_pct"]) <= high and float(row["ratio"]) <= WIDEST for row in table
    )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--first", type=int, default=2000, metavar="SEED")
    words.add_argument("--runs", type=int, default=100)
    words.add_argument("--processes", type=int, default=2)
    words.add_argument("--json", action="store_true", help="one JSON object")
    asked = words.parse_args()
    found: list[Judged] = []
    with ProcessPoolExecutor(asked.processes) as pool:
        for one in pool.map(judge, range(asked.first, asked.first + asked.runs)):
            found.append(one)
            print(f"\r{len(found)} of {asked.runs} runs", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    table = list(rows(found))
    if asked.json:
        print(json.dumps({"first": asked.first, "shown": shown(table), "rows": table}))
    else:
        for row in table:
            print(
                f"{row['what']:10s} {row['stations']} stations of {row['runs']} runs: covered "
                f"{row['covered_pct']:.1f} %, rms {row['rms']:.3f} {row['unit']}, k = 2 half-width "
                f"{row['half_width']:.3f} {row['unit']}, {row['ratio']:.2f} times twice the rms"
            )
    return 0 if shown(table) else 1


if __name__ == "__main__":
    sys.exit(main())
