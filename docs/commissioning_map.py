"""Commissioning on random simulated rigs, against their truth (docs/commissioning.md).

    python docs/commissioning_map.py              twenty rigs, about a minute
    python docs/commissioning_map.py --rigs 1-5 --parts tilt,bar
    python docs/commissioning_map.py --parts on-off    the same rigs with on/off valves

Ends with 1 where a limit is passed or the intervals cover too little or too much.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from commissioning_yard import ON_OFF, PARTS, Found, commission

from firmware_py.commission.estimate import CommissionError

LIMITS = {  # as asked for, in the estimate's own unit; on/off valves: as the dead time
    "dead time": 0.015, "overlap": 0.02, "speed": 0.05, "tilt zero": math.radians(0.05),
    "bar zero": 0.001, "least on time": 0.015, "opening": 0.015, "closing": 0.015,
}  # fmt: skip
REFUSED = 0.05  # share of rigs: 3.5 sigma between tape and sight are rare, and then refused
COVER = (0.90, 0.99)  # share of the k = 2 intervals that hold the truth, over all estimates


@dataclass(frozen=True)
class Row:
    """All estimates of one kind: count, worst and rms error, mean u, share covered."""

    kind: str
    count: int
    worst: float
    rms: float
    mean_u: float
    covered: float


def rows(found: Sequence[Found]) -> list[Row]:
    """One row a kind, and one over all (only its cover means something)."""
    out = []
    for kind in [*dict.fromkeys(f.kind for f in found), "all"]:
        some = [f for f in found if kind in (f.kind, "all")]
        off = np.array([f.off for f in some])
        out.append(Row(
            kind, len(some), float(np.abs(off).max()), float(np.sqrt((off**2).mean())),
            float(np.mean([f.u for f in some])),
            float(np.mean([f.estimate.covers(f.true) for f in some])),
        ))  # fmt: skip
    return out


def faults(found: Sequence[Found]) -> list[str]:
    """What is not as asked: a limit passed, or k = 2 intervals too narrow or too wide."""
    out = []
    for row in rows(found):
        if row.kind in LIMITS and row.worst > LIMITS[row.kind]:
            out.append(f"{row.kind} is off by {row.worst:g}; at most {LIMITS[row.kind]:g} is right")
        if row.kind == "all" and not COVER[0] <= row.covered <= COVER[1]:
            out.append(f"covered: {row.covered:.3f}; {COVER[0]:g} to {COVER[1]:g} is right")
    return out


UNITS = {
    "tilt zero": (math.degrees(1.0), "deg"), "mounting yaw": (math.degrees(1.0), "deg"),
    "bar zero": (1e3, "mm"), "bar scale": (100.0, "%"), "overlap": (100.0, "%"),
    "speed": (100.0, "%"), "dead time": (1e3, "ms"), "lag": (1e3, "ms"), "cylinder": (1e3, "mm"),
    "asymmetry": (100.0, "%"), "least on time": (1e3, "ms"), "opening": (1e3, "ms"),
    "closing": (1e3, "ms"), "lost": (1e3, "ms"),
}  # fmt: skip


def table(found: Sequence[Found]) -> Iterator[str]:
    """A Markdown table."""
    yield "| what | estimates | limit | worst error | rms error | mean u | width | covered |"
    yield "| --- | --- | --- | --- | --- | --- | --- | --- |"
    for row in rows(found):
        if row.kind == "all":
            yield f"| all | {row.count} | | | | | | {100 * row.covered:.1f} % |"
            continue
        by, unit = UNITS[row.kind]
        limit = f"{by * LIMITS[row.kind]:.3g} {unit}" if row.kind in LIMITS else ""
        sizes = " | ".join(f"{by * x:.3g} {unit}" for x in (row.worst, row.rms, row.mean_u))
        ends = f"{row.mean_u / row.rms:.2f} | {100 * row.covered:.0f} %"
        yield f"| {row.kind} | {row.count} | {limit} | {sizes} | {ends} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", default="1-20", help="seeds, first-last (default: %(default)s)")
    parser.add_argument("--parts", default=",".join(PARTS), help=f"of %(default)s, {ON_OFF}")
    options = parser.parse_args()
    first, last = (int(n) for n in options.rigs.split("-"))
    found, refused = [], 0
    for seed in range(first, last + 1):
        try:
            found += commission(seed, options.parts.split(","))
            print(f"rig {seed} done", file=sys.stderr)
        except CommissionError as error:  # as a person would be told; nothing is stored then
            refused += 1
            print(f"rig {seed} refused: {error}", file=sys.stderr)
    print("\n".join(table(found)))
    told = faults(found)
    if refused > REFUSED * (last + 1 - first):
        told.append(f"{refused} rigs were refused; at most {REFUSED:g} of them is right")
    if told:
        sys.exit("\n".join(told))


if __name__ == "__main__":
    main()
