"""How soon could a string be found at all? `python docs/ranging_bound.py` prints the paragraph.

The starts of docs/ranging_map.py once more. Beside the search's own answer stands the first
moment at which enough of the string had been heard for any method that asks for as many sightings.
It is taken from the simulated truth: which firings gave an echo of the string, and no more. So it
knows nothing of the search, and forgives it nothing that a better one could have used.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterable
from multiprocessing import Pool
from typing import NamedTuple

from ranging_bench import Bench, Setup
from ranging_map import CLEARANCES, LATERALS, STARTS

from drivers.samples import RangePing
from drivers.simulated.pose import axes
from firmware_py.messages import Link
from firmware_py.sense.search import FRAMES_MORE, FRAMES_TWO

SOON_S = 0.5  # asked of a cold start
GIVE_UP_S = 2.0
NEAR_M = 0.008  # an echo no further from the string's true range may be its own: noise and a slip
FIX, SURE = 2, 3  # elements that fix a line; that hold a check besides


class Heard(NamedTuple):
    """One start, s since the first firing: the search's answer and the bound; None: not yet."""

    answer_s: float | None
    bound_s: float | None


def enough(frames: Iterable[int]) -> bool:
    """Whether frames with so many elements on the string confirm it, whatever comes between."""
    counts = list(frames)
    some, most = (sum(n >= least for n in counts) for least in (FIX, SURE))
    return some >= FRAMES_TWO or most >= FRAMES_MORE


def on_string(bench: Bench, ping: RangePing) -> bool:
    """Whether a firing gave an echo at the string's true range; the carriage only creeps."""
    bar, pose = bench.bar, bench.pose
    directions = axes(pose)
    mid, left, y = bar.middle(pose, directions), directions[1], bar.offsets[ping.element]
    e = (mid[0] + y * left[0], mid[1] + y * left[1], mid[2] + y * left[2])
    point = bar.view.target.nearest(e, pose.s)  # type: ignore[attr-defined]
    true, sound = math.dist(e, point), bench.controller.senses.sound or math.nan
    return any(abs(0.5 * sound * echo.flight_s - true) < NEAR_M for echo in ping.echoes)


def start(bench: Bench) -> Heard:
    """Forget the string and wait for the search; note when any could have known."""
    begun, first, bound = bench.now, math.nan, None
    bench.track.reset()
    frames: dict[int, int] = {}
    while bench.now - begun < GIVE_UP_S:
        bench.step()
        for ping in bench.pings:
            first = ping.time_s if math.isnan(first) else first
            frame = (round(ping.time_s / bench.bar.truth.interval_s) - 1) // len(bench.bar.offsets)
            frames[frame] = frames.get(frame, 0) + on_string(bench, ping)
        if bound is None and enough(frames.values()):
            bound = bench.now - first
        if bench.track.link is Link.TRACKING and not math.isnan(first):
            return Heard(bench.now - first, bound)
    return Heard(None, bound)


def place(setup: Setup, starts: int, seed: int) -> list[Heard]:
    """The starts of one place of the map, one after the other."""
    bench = Bench(setup, seed)
    bench.warm()
    heard = []
    for _ in range(starts):
        heard.append(start(bench))
        bench.run(0.13)  # as the map does: the very same starts
    return heard


def late(time_s: float | None) -> bool:
    """Not there within what is asked."""
    return time_s is None or time_s > SOON_S


def told(heard: list[Heard]) -> str:
    """All starts in one paragraph."""
    n = len(heard)
    answers, bounds = (sum(late(h[k]) for h in heard) for k in (0, 1))
    waits = sorted(h.answer_s - h.bound_s for h in heard if None not in h)  # type: ignore[operator]
    ahead = sum(h.answer_s is not None and h.bound_s is None for h in heard)
    return (
        f"{n} starts: {answers} ({100 * answers / n:.2f} %) came after {SOON_S:g} s. In {bounds} "
        f"({100 * bounds / n:.2f} %) no method that asks for {FRAMES_MORE} frames of {SURE} "
        f"elements, or for {FRAMES_TWO} of {FIX}, could have answered by then. After that bound "
        f"the search took {waits[len(waits) // 2]:.2f} s (half), "
        f"{waits[int(0.95 * len(waits))]:.2f} s (95 %). {ahead} answers before the bound."
    )


def main() -> None:
    """Run everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=STARTS, help="cold starts at each place")
    starts = parser.parse_args().starts
    setups = [Setup(c, y) for c in CLEARANCES for y in LATERALS]
    jobs = [(setup, starts, 100 + k) for k, setup in enumerate(setups)]  # the map's own seeds
    with Pool(2) as pool:
        places = pool.starmap(place, jobs, chunksize=1)
    for clearance in CLEARANCES:
        at = [h for job, hs in zip(jobs, places, strict=True) for h in hs
              if job[0].clearance_mm == clearance]  # fmt: skip
        print(f"{clearance:.0f} mm: {told(at)}")
    print(told([h for hs in places for h in hs]))


if __name__ == "__main__":
    main()
