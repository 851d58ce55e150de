"""How old the newest firing of a bar is that a command for the valves can have been computed from.

The companion board asks this of each command by itself; valves on a PWM chip have nobody else who
asks, for a watchdog relay sees edges alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from drivers.board import codec
from drivers.samples import AnySample, RangePing

STALE_S = codec.STALE_MS * 1e-3  # as the board has it
AHEAD_S = 0.002  # a firing that lies further ahead of the clock is of a wrong one, and says nothing


class Newest:
    """`took` sees whatever is handed up; `age_s` is asked for when a command comes down."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._fired_s = -math.inf

    def took(self, samples: Iterable[AnySample]) -> None:
        """Samples on their way to the loop."""
        for one in samples:
            if type(one) is RangePing and self._fired_s < one.time_s <= self._clock() + AHEAD_S:
                self._fired_s = one.time_s

    def age_s(self) -> float:
        """Seconds since the newest of them fired; infinite before the first."""
        return self._clock() - self._fired_s
