"""Maps what the ranging can do: `python docs/ranging_map.py` draws docs/ranging_map.png.

Prints the tables of docs/ranging.md. All of it is simulated; `--starts N` cold starts a place.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple

from ranging_bench import Bench, Setup, Start

WRONG_CLEARANCE = 0.015  # m; an acquisition further off than this is wrong
WRONG_LATERAL = 0.040  # m
PIN_NEAR = 0.14  # m of chainage: a pin stands in the beam
CLEARANCES = (400.0, 600.0, 800.0)  # mm
LATERALS = tuple(float(y) for y in range(-150, 151, 25))  # mm
STARTS = 257  # a place; 39 places make 10^4
STEADY_S = 30.0
PICTURE = Path(__file__).with_name("ranging_map.png")
COLOURS = ("#0072B2", "#D55E00", "#009E73")  # Okabe and Ito's colour-blind-safe set
MARKS = ("o", "s", "^")


class Cell(NamedTuple):
    """What one place gave. m, s; NaN where the reference was never found."""

    setup: Setup
    starts: tuple[Start, ...]
    wrong: tuple[Start, ...]
    over_pin: int  # of the wrong ones
    bias: float
    height_sd: float
    lateral_rms: float

    def within(self, share: float) -> float:
        """Time within which that share of the cold starts had found the reference, s."""
        times = sorted(math.inf if s.after_s is None else s.after_s for s in self.starts)
        return times[min(len(times) - 1, int(share * len(times)))]


def is_wrong(start: Start) -> bool:
    """Whether a declared acquisition is too far off; none is never wrong."""
    if start.after_s is None:
        return False
    return abs(start.clearance_m) > WRONG_CLEARANCE or abs(start.lateral_m) > WRONG_LATERAL


def measure(setup: Setup, starts: int, seed: int, steady_s: float = STEADY_S) -> Cell:
    """Cold starts one after the other along a creeping run, then a steady run."""
    bench = Bench(setup, seed)
    bench.warm()
    found, wrong, over_pin = [], [], 0
    for _ in range(starts):
        found.append(bench.cold_start())
        if is_wrong(found[-1]) or (setup.cut and found[-1].after_s is not None):
            wrong.append(found[-1])
            over_pin += bench.pin_m() < PIN_NEAR
        bench.run(0.13)  # so that the next begins elsewhere in the frame
    bias = sd = rms = math.nan
    if steady_s and not setup.cut and bench.settle():
        bias, sd, rms = _steady(bench.run(steady_s))
    return Cell(setup, tuple(found), tuple(wrong), over_pin, bias, sd, rms)


def _steady(errors: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    n = len(errors)
    if not n:
        return math.nan, math.nan, math.nan
    bias = sum(h for h, _ in errors) / n
    sd = math.sqrt(sum((h - bias) ** 2 for h, _ in errors) / n)
    return bias, sd, math.sqrt(sum(y * y for _, y in errors) / n)


def sweep(pool: Pool, starts: int, seed: int, **fixed: object) -> list[Cell]:  # type: ignore[valid-type]
    """All places of one kind of reference and rig."""
    setups = [Setup(c, y, **fixed) for c in CLEARANCES for y in LATERALS]  # type: ignore[arg-type]
    jobs = [(setup, starts, seed + k) for k, setup in enumerate(setups)]
    return pool.starmap(measure, jobs, chunksize=1)


def table(title: str, cells: Sequence[Cell]) -> None:
    """Print one kind as a Markdown table, a line a place."""
    print(f"\n{title}\n")
    print("| c mm | y mm | bias mm | sd mm | lateral mm | start s: half, 95, 99 % | none | wrong |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |")
    for c in cells:
        s, times = c.setup, ", ".join(f"{c.within(q):.2f}" for q in (0.5, 0.95, 0.99))
        none = sum(start.after_s is None for start in c.starts)
        print(
            f"| {s.clearance_mm:.0f} | {s.lateral_mm:+.0f} | {c.bias * 1e3:+.2f} "
            f"| {c.height_sd * 1e3:.2f} | {c.lateral_rms * 1e3:.1f} | {times} | {none} "
            f"| {len(c.wrong)} |"
        )
    summary(cells)


def summary(cells: Sequence[Cell]) -> None:
    """The whole kind in one paragraph."""
    starts = [s for c in cells for s in c.starts]
    times = sorted(math.inf if s.after_s is None else s.after_s for s in starts)
    wrong, pins = sum(len(c.wrong) for c in cells), sum(c.over_pin for c in cells)
    soon = sum(t <= 0.5 for t in times) / len(times)
    print(
        f"\n{len(starts)} cold starts: {wrong} wrong ({pins} of them over a pin); half within "
        f"{times[len(times) // 2]:.2f} s, 95 % within {times[int(0.95 * len(times))]:.2f} s, 99 % "
        f"within {times[int(0.99 * len(times))]:.2f} s; {100 * soon:.1f} % within 0.5 s.",
        flush=True,
    )


def picture(cells: Sequence[Cell], path: Path) -> None:
    """Bias, lateral rms and cold start over the lateral, a line a clearance."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 3.6), layout="constrained")
    panels = (
        ("height bias, mm", lambda c: c.bias * 1e3, (-1.0, 1.0)),
        ("lateral rms, filtered, mm", lambda c: c.lateral_rms * 1e3, (0.0, 6.0)),
        ("cold start, 95 % within, s", lambda c: c.within(0.95), (0.0, 0.5)),
    )
    for axes, (label, value, limits) in zip(figure.subplots(1, 3), panels, strict=True):
        for clearance, colour, mark in zip(CLEARANCES, COLOURS, MARKS, strict=True):
            line = [c for c in cells if c.setup.clearance_mm == clearance]
            axes.plot(
                [c.setup.lateral_mm for c in line], [value(c) for c in line], marker=mark,
                color=colour, ms=4, lw=1, label=f"{clearance:.0f} mm above",
            )  # fmt: skip
        for limit in limits:
            axes.axhline(limit, color="black", lw=0.8, ls=":")
        axes.set(xlabel="string off the bar's middle, mm", ylabel=label)
        axes.grid(alpha=0.3)
        axes.margins(y=0.1)
    figure.axes[0].legend(fontsize=8)
    figure.suptitle("String under the reference rig, creeping; simulated (dotted: asked)", size=10)
    figure.savefig(path, dpi=110)


def main() -> None:
    """Run everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=STARTS, help="cold starts at each place")
    parser.add_argument("--others", type=int, default=42, help="the same for the other tables")
    options = parser.parse_args()
    with Pool(2) as pool:
        cells = sweep(pool, options.starts, 100)
        picture(cells, PICTURE)
        table("### A string, reference rig", cells)
        others = options.others
        table("### An edge 120 mm wide", sweep(pool, others, 200, kind="edge", width_mm=120.0))
        table("### An edge 45 mm wide", sweep(pool, others, 300, kind="edge", width_mm=45.0))
        table("### A string, rig `modest`", sweep(pool, others, 400, rig="modest"))
        surface = [Setup(c, 0.0, "surface", "strip") for c in CLEARANCES]
        jobs = [(s, 10 * others, 500 + k) for k, s in enumerate(surface)]
        table("### A finished strip with stones, bar turned", pool.starmap(measure, jobs))
        # 2 s a try at 0.2 m/s: 100 m of path hold 250 tries, so a few lines of it
        gone = [Setup(c, 0.0, cut=True) for c in CLEARANCES for _ in range(8)]
        jobs = [(s, max(1, others), 600 + k) for k, s in enumerate(gone)]
        print("\n### The string is cut: ground and windrows alone")
        summary(pool.starmap(measure, jobs))


if __name__ == "__main__":
    main()
