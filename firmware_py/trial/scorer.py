"""Collects what a trial is scored on. It alone sees the truth; nothing of it goes back.

Columns in SI units as arrays of one value a tick; NaN where there is none.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.bar import SimulatedBar
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.scene import StringLine
from drivers.simulated.truth import Truth
from firmware_py.messages import BarTick, Side, Tick

Floats = NDArray[np.float64]
REACH_M = 0.4  # of a bar along the job: a pin or stone this near may be in a beam


class Zone(NamedTuple):
    """Chainages over which a disturbing object may be in a bar's view, and what it is."""

    start_m: float
    end_m: float
    what: str


class Scorer:
    """`see` and `note` once a tick; afterwards read columns."""

    def __init__(self, sim: SimulatedRig) -> None:
        self._sim = sim
        self.truths: list[Truth] = []
        self.ticks: list[Tick] = []

    def see(self, truth: Truth) -> None:
        """How things really are at the instant of the next tick."""
        self.truths.append(truth)

    def note(self, tick: Tick) -> None:
        """What came of that tick."""
        self.ticks.append(tick)

    def of_truth(self, name: str) -> Floats:
        """A field of the truth."""
        at = Truth._fields.index(name)
        return column(truth[at] for truth in self.truths)

    def of_bar_truth(self, side: Side, name: str) -> Floats:
        """A field of a bar's true view."""
        at = Truth._fields.index(f"{side.value}_bar")
        return column(None if t[at] is None else getattr(t[at], name) for t in self.truths)

    def of_tick(self, pick: Callable[[Tick], Any]) -> Floats:
        """Anything of the tick."""
        return column(pick(tick) for tick in self.ticks)

    def of_bar(self, side: Side, pick: Callable[[BarTick], Any]) -> Floats:
        """Anything of a bar's part of the tick."""
        places = [bar.end for bar in self.ticks[0].bars] if self.ticks else []
        if side not in places:
            return np.full(len(self.ticks), np.nan)
        at = places.index(side)
        return column(pick(tick.bars[at]) for tick in self.ticks)

    def zones(self, side: Side) -> list[Zone]:
        """Where pins, windrows and stones may be in a bar's view, by chainage."""
        bar = self._sim.devices.get(f"bar.{side.value}")
        if not isinstance(bar, SimulatedBar):
            return []
        found = []
        target, heaps = bar.view.target, bar.view.heaps
        if isinstance(target, StringLine):
            found = [Zone(s - REACH_M, s + REACH_M, "pin") for s in target.s]
        if heaps is not None:
            for s, (_, _, _, half) in zip(heaps.s, heaps.items, strict=True):
                what = "windrow" if half > 0.0 else "stone"
                found.append(Zone(s - half - REACH_M, s + half + REACH_M, what))
        return sorted(found)


def column(values: Any) -> Floats:
    """Numbers as an array; None becomes NaN, true 1."""
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
