"""Loop health, live: the index of the last minute of both ends' errors."""

from __future__ import annotations

import math
from collections import deque

from firmware_py.messages import SIDES, EndState, Mode, Tick

LENGTH_S = 60.0  # libraries.md of the house: a minute of data or more
LEAST_S = 20.0  # less says nothing
LED = (EndState.LED, EndState.COAST)


class Health:
    """`put` each tick; `index` when it is asked for. Not for the loop's own process."""

    def __init__(self, tick_hz: float, dead_s: float) -> None:
        self._hz = tick_hz
        self.dead_ticks = max(1, math.ceil(dead_s * tick_hz))
        most = round(LENGTH_S * tick_hz)
        self._errors: dict[str, deque[float]] = {side: deque(maxlen=most) for side in SIDES}
        self._seq = -1

    @property
    def length_s(self) -> float:
        """Of the record behind the index."""
        return min(len(kept) for kept in self._errors.values()) / self._hz

    def put(self, tick: Tick) -> None:
        """Only automatic without a gap says something of the loop."""
        whole = tick.seq == self._seq + 1 and tick.mode is Mode.AUTO
        self._seq = tick.seq
        for side, kept in self._errors.items():
            end = tick.left if side == "left" else tick.right
            if not whole or end.state not in LED or end.error_m is None:
                kept.clear()
            else:
                kept.append(end.error_m)

    def index(self) -> tuple[float | None, float | None]:
        """Left and right; None while there is too little to say."""
        import numpy as np

        from firmware_py.trial.score import loop_health

        found: list[float | None] = []
        for kept in self._errors.values():
            long = len(kept) >= LEAST_S * self._hz
            value = loop_health(np.array(kept), self.dead_ticks) if long else math.nan
            found.append(value if math.isfinite(value) else None)
        return found[0], found[1]
