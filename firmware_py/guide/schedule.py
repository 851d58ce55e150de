"""The job's targets by chainage: offset over the reference's line (m) and crossfall (ratio).

Straight between two stations, level before the first and past the last. Chainages rise; left,
right and crossfall are meant looking up chainage.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

FAR = 4  # stations; further than this the index is looked up anew, not walked
FALLS = 1e-5  # 1/m; crossfall that changes faster is a transition (0.01 % in 10 m is rounding)
STEPS = 0.005  # m/m; a level that changes faster against the line is one: a bow of sag is not


class Transition(NamedTuple):
    """A stretch over which the target changes; first and second are those at its two ends."""

    start_m: float
    end_m: float
    crossfalls: tuple[float, float]
    offsets_m: tuple[float, float]


class Schedule:
    """`look` at a chainage, then read offset and crossfall. The index only saves a search."""

    def __init__(
        self, chainages: Sequence[float], offsets: Sequence[float], crossfalls: Sequence[float]
    ) -> None:
        counts = len(chainages), len(offsets), len(crossfalls)
        if not chainages or len(set(counts)) > 1:
            words = "chainages, offsets and crossfalls; as many of each, 1 at least"
            raise ValueError(f"{counts[0]}, {counts[1]} and {counts[2]} {words}")
        self.at, self.offsets, self.crossfalls = list(chainages), list(offsets), list(crossfalls)
        self._last = len(self.at) - 1
        self._index = 0  # of the station at or before the chainage looked at last
        self.offset, self.crossfall = self.offsets[0], self.crossfalls[0]

    def look(self, chainage: float) -> None:
        """Take offset and crossfall at a chainage, m."""
        at = self.at
        if chainage <= at[0] or not self._last:
            self._index, self.offset, self.crossfall = 0, self.offsets[0], self.crossfalls[0]
            return
        if chainage >= at[self._last]:
            self._index = self._last - 1
            self.offset, self.crossfall = self.offsets[self._last], self.crossfalls[self._last]
            return
        i = self._index = self._walk(chainage)
        share = (chainage - at[i]) / (at[i + 1] - at[i])
        low, high = self.offsets[i], self.offsets[i + 1]
        self.offset = low + share * (high - low)
        low, high = self.crossfalls[i], self.crossfalls[i + 1]
        self.crossfall = low + share * (high - low)

    def _walk(self, chainage: float) -> int:
        """The index of the station at or before a chainage that lies between two."""
        at, i = self.at, self._index
        for _ in range(FAR):
            if chainage < at[i]:
                i -= 1
            elif chainage >= at[i + 1]:
                i += 1
            else:
                return i
        return bisect_right(at, chainage) - 1

    def transitions(self) -> tuple[Transition, ...]:
        """All stretches over which crossfall or level change, in order; neighbours joined."""
        found: list[Transition] = []
        for i in range(self._last):
            if not self._changes(i):
                continue
            start, falls, levels = self.at[i], self.crossfalls[i], self.offsets[i]
            if found and found[-1].end_m == start:
                last = found.pop()
                start, falls, levels = last.start_m, last.crossfalls[0], last.offsets_m[0]
            found.append(Transition(
                start, self.at[i + 1], (falls, self.crossfalls[i + 1]),
                (levels, self.offsets[i + 1]),
            ))  # fmt: skip
        return tuple(found)

    def _changes(self, i: int) -> bool:
        way = self.at[i + 1] - self.at[i]
        falls = abs(self.crossfalls[i + 1] - self.crossfalls[i])
        steps = abs(self.offsets[i + 1] - self.offsets[i])
        return falls > FALLS * way or steps > STEPS * way
