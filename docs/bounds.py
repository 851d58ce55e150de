"""What forbids some figures, computed on the trials' own ground: docs/bounds.md holds its output.

    python docs/bounds.py                  some minutes on two cores
    python docs/bounds.py --seeds 1-10

The ground's own motion D(t) of a blade end is taken from a trial on the rig `cue-only`, whose
valves never move. Heights in m, > 0 too high; what is printed is mm.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from firmware_py.messages import Side
from firmware_py.settings import Rig
from firmware_py.trial import score
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import load_trial
from firmware_py.trial.score import Floats
from firmware_py.trial.series import Series
from firmware_py.trial.setup import rig_named

STRING, FAST = "footpath-string", "footpath-fast"
DEAD_S, LAG_S = 0.08, 0.05  # of the reference rig's valves
TICK_S = 0.01
CAP = 0.060  # m/s; limits.cap_mm_s of the reference rig
WANTED = 0.4  # loop health that is asked for
FAR = 1.0  # m; no lift and no ground gets there


def guided(series: Series) -> tuple[Floats, Floats]:
    """Error of the left end (m) and weight (m), from the first metre that counts."""
    first = int(np.flatnonzero(series.weight > 0.0)[0])
    return series.error[Side.LEFT][first:], series.weight[first:]


def ground(trial: str, seed: int) -> tuple[Floats, Floats]:
    """Motion of the left end that the ground alone makes: the valves never move."""
    return guided(run_trial(load_trial(trial), "cue-only", seed).series)


def unpredictable(record: Floats, ahead_s: float) -> float:
    """rms (m) of what a record's own past does not tell of it, ahead_s ahead."""
    share = score.loop_health(record, round(ahead_s / TICK_S))
    return math.sqrt(share) * float(record.std())


def greedy(motion: Floats, cap: float) -> tuple[Floats, float]:
    """Error under a loop without delay, lag or noise that closes what it sees, capped in rate.

    It knows the present error and nothing of the future. Then its share of ticks at the cap.
    """
    step, lift, errors, full = cap * TICK_S, 0.0, [], 0
    for d in motion.tolist():
        wanted = -d - lift
        full += abs(wanted) >= step
        lift += min(max(wanted, -step), step)
        errors.append(d + lift)
    return np.array(errors), full / motion.size


def foresight(motion: Floats, cap: float) -> Floats:
    """Least possible sum of squared errors under the cap, with all of the ground known before.

    Dynamic programming over the lift: the cost's derivative is piecewise linear and is carried
    as its knots; a step of at most cap * tick spreads it round its minimum. Exact.
    """
    step = cap * TICK_S
    knots, slope = np.array([-FAR, FAR]), np.zeros(2)
    least = []
    for d in motion.tolist():
        slope = slope + 2.0 * (knots + d)
        at = float(np.interp(0.0, slope, knots))
        least.append(at)
        k = int(np.searchsorted(slope, 0.0))
        knots = np.concatenate((knots[:k] - step, (at - step, at + step), knots[k:] + step))
        slope = np.concatenate((slope[:k], (0.0, 0.0), slope[k:]))
    lift = [least[-1]]
    for at in reversed(least[:-1]):
        lift.append(min(max(at, lift[-1] - step), lift[-1] + step))
    return motion + np.array(lift[::-1])


def without_dead_band() -> Rig:
    """The reference rig with a dead band of 0."""
    rig = rig_named("reference")
    control = rig.control.model_copy(update={"dead_band_mm": 0.0})
    return rig.model_copy(update={"control": control})


Row = dict[str, float]


def measure(seed: int) -> Row:
    """All figures of one seed; mm and ratios."""
    motion, _ = ground(STRING, seed)
    whole = run_trial(load_trial(STRING), seed=seed)
    bare = run_trial(load_trial(STRING), without_dead_band(), seed)
    fast_motion, fast_weight = ground(FAST, seed)
    fast = run_trial(load_trial(FAST), seed=seed)
    fast_error, _ = guided(fast.series)
    fast_new = [1e3 * unpredictable(fast_motion, ahead) for ahead in (DEAD_S, DEAD_S + LAG_S)]
    error, weight = guided(whole.series)
    gap = whole.series.estimate_gap[-error.size :]
    capped, full = greedy(fast_motion, CAP)
    seen, both = DEAD_S, DEAD_S + LAG_S
    return {
        "ground alone, not to be foretold over 0.08 s": 1e3 * unpredictable(motion, seen),
        "ground alone, not to be foretold over 0.13 s": 1e3 * unpredictable(motion, both),
        "closed loop, not to be foretold over 0.08 s": 1e3 * unpredictable(error, seen),
        "closed loop, not to be foretold over 0.13 s": 1e3 * unpredictable(error, both),
        "closed loop, error about its mean": 1e3 * float(error.std()),
        "estimate less truth, about its mean": 1e3 * score.spread(gap, weight),
        "loop health at 0.08 s": score.loop_health(error, round(seen / TICK_S)),
        "loop health at 0.13 s": score.loop_health(error, round(both / TICK_S)),
        "loop health at 0.08 s, dead band 0": bare.summary["loop_health"],
        "rms with dead band 0": bare.summary["ends"]["left"]["height_rms_mm"],
        "fast: ground alone, not to be foretold over 0.08 s": fast_new[0],
        "fast: ground alone, not to be foretold over 0.13 s": fast_new[1],
        "fast: closed loop, error about its mean": 1e3 * float(fast_error.std()),
        "fast: measured rms": fast.summary["ends"]["left"]["height_rms_mm"],
        "fast: capped, measured, %": fast.summary["capped_pct"],
        "fast: no delay, no noise, cap alone: rms": 1e3 * score.rms(capped, fast_weight),
        "fast: the same, ticks at the cap, %": 100.0 * full,
        "fast: all of the ground known before: rms":
            1e3 * score.rms(foresight(fast_motion, CAP), fast_weight),
    }  # fmt: skip


def lines(rows: list[Row], seeds: list[int]) -> Iterator[str]:
    """The Markdown tables."""
    yield f"| seeds {seeds[0]} to {seeds[-1]}, simulated | least | mean | most |"
    yield "| --- | ---: | ---: | ---: |"
    for name in rows[0]:
        values = [row[name] for row in rows]
        shown = (min(values), sum(values) / len(values), max(values))
        yield f"| {name} | {' | '.join(f'{value:.2f}' for value in shown)} |"
    yield ""
    for name in ("ground alone", "closed loop"):
        need = [row[f"{name}, not to be foretold over 0.08 s"] / math.sqrt(WANTED) for row in rows]
        yield (
            f"Loop health {WANTED:g} with the part not to be foretold of the {name}: a whole error "
            f"of {min(need):.2f} to {max(need):.2f} mm rms about its mean."
        )
    yield f"Error spread evenly over a dead band of 1.5 mm: {1.5 / math.sqrt(3.0):.2f} mm rms."


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="1-5", metavar="A-B", help="default 1-5")
    parser.add_argument("--processes", type=int, default=2, help="default 2")
    asked = parser.parse_args()
    first, _, last = asked.seeds.partition("-")
    seeds = list(range(int(first), int(last or first) + 1))
    with ProcessPoolExecutor(asked.processes) as pool:
        print("\n".join(lines(list(pool.map(measure, seeds)), seeds)))


if __name__ == "__main__":
    main()
