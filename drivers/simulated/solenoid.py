"""An on/off valve of the simulated rig: two coils, each with its own time to pull in and to let go.

A coil whose current lasts for less than its time to pull in moves nothing; one that is on again
before it has let go stays open. Opening is counted > 0 where it raises. Times in s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

ON_FROM = 0.5  # of full command: chosen; whoever drives such a valve commands full or nothing


class Way:
    """One coil and the way that it opens."""

    def __init__(self, pull_in_s: float, let_go_s: float) -> None:
        self._pull_in_s, self._let_go_s = pull_in_s, let_go_s
        self._on = self._open = False
        self._due_s = math.inf

    def switch(self, t: float, on: bool) -> None:
        """Current on or off from t on; the spool follows, or is left where it was."""
        if on is self._on:
            return
        self._on = on
        takes = self._pull_in_s if on else self._let_go_s
        self._due_s = math.inf if on is self._open else t + takes

    def open_s(self, t0: float, t1: float) -> float:
        """For how much of t0 to t1 it was open; no switching of the current in between."""
        if self._due_s >= t1:
            return t1 - t0 if self._open else 0.0
        turned = max(self._due_s, t0)
        self._open, self._due_s = self._on, math.inf
        return t1 - turned if self._open else turned - t0


class OnOffValve:
    """Both ways of one valve. pull_in_s, let_go_s: up and down."""

    def __init__(self, pull_in_s: tuple[float, float], let_go_s: tuple[float, float]) -> None:
        self._up, self._down = map(Way, pull_in_s, let_go_s)

    def opening(self, t0: float, t1: float, commands: Sequence[tuple[float, float]]) -> float:
        """Mean opening -1..1 from t0 to t1; commands: (s, -1..1) that came in between, by time."""
        way = 0.0
        turns = [(max(t, t0), value) for t, value in commands]
        for (a, command), (b, _) in pairwise([(t0, None), *turns, (t1, None)]):
            if command is not None:
                self._up.switch(a, command >= ON_FROM)
                self._down.switch(a, command <= -ON_FROM)
            if b > a:
                way += self._up.open_s(a, b) - self._down.open_s(a, b)
        return way / (t1 - t0)
