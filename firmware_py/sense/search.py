"""Confirming what single frames suggest, over consecutive frames of a bar that may move."""

from __future__ import annotations

import math
from dataclasses import replace

from firmware_py.sense.finding import SAME_CLEARANCE, SAME_LATERAL
from firmware_py.sense.ranging import Fix, Frame

FRAMES_TWO = 3  # consecutive frames that must confirm what only two elements saw
FRAMES_MORE = 2  # the same where three or more saw it
FRAMES_CLEAN = 2  # of them, in which all that could see a heap's flank were heard, and saw none
GAP_FRAMES = 4  # frames with a silent element that may come between: bursts are some 3 firings
SURE_LATERAL = 0.009  # m; 1 sigma of the lateral at most: an answer 40 mm off is then beyond 4
SETTLED = 0.025  # m; of the lateral's mean, how far the last frame may lie from it
SURE_BAND = 0.04  # m; widest band of laterals over a flat top whose middle is an answer
LEAST_SD = 0.008  # m; no frame is surer of its lateral: one slip of a cycle moves it more


class Search:
    """Confirms candidates over consecutive frames; `offer` gives a Fix once, when it is sure."""

    STATE = ("clearance", "lateral", "weight", "run", "least", "gap", "clean", "who")

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Begin anew."""
        self.clearance = self.lateral = self.weight = 0.0
        self.run = self.least = self.gap = self.clean = 0
        self.who: tuple[int, ...] = ()

    def offer(self, fix: Fix | None, frame: Frame) -> Fix | None:
        """Take one frame's candidate; the mean Fix comes back when enough frames agree.

        A frame without one says nothing where elements that saw the last one were silent.
        """
        if fix is None:
            self.gap += 1
            if self.gap > GAP_FRAMES or all(frame[k] for k in self.who):
                self.reset()
            return None
        if not self._agrees(fix):
            self.reset()
        self.gap, self.who = 0, fix.who
        weight = 1.0 / (fix.lateral_sd**2 + LEAST_SD**2)
        self.run += 1
        self.clean += fix.clean
        self.least = min(self.least, fix.count) if self.run > 1 else fix.count
        self.weight += weight
        self.lateral += (fix.lateral - self.lateral) * weight / self.weight
        # the blade may heave, so that an old clearance counts for less
        self.clearance += (fix.clearance - self.clearance) / min(self.run, FRAMES_MORE)
        needed = FRAMES_MORE if self.least >= 3 else FRAMES_TWO
        sd = math.sqrt(1.0 / self.weight)
        settled = abs(fix.lateral - self.lateral) < max(SETTLED, 2.0 * fix.lateral_sd)
        if self.run < needed or self.clean < FRAMES_CLEAN or not settled:
            return None
        if sd > SURE_LATERAL or fix.band > SURE_BAND:
            return None
        return replace(fix, clearance=self.clearance, lateral=self.lateral, lateral_sd=sd)

    def _agrees(self, fix: Fix) -> bool:
        """Whether a frame's answer goes on from those before it, by what a reference can move."""
        if not self.run:
            return False
        apart = SAME_LATERAL + 3.0 * math.sqrt(fix.lateral_sd**2 + 1.0 / self.weight)
        down = SAME_CLEARANCE + 3.0 * fix.clearance_sd
        return (
            abs(fix.clearance - self.clearance) < down and abs(fix.lateral - self.lateral) < apart
        )
