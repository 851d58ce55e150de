"""The board's clock mapped to ours by the least delays, both ways.

A delay only ever adds. Each frame from the board came after it was sent, so "came - sent" is never
below the true offset; each question of ours was read after it was asked, so "asked - read" is
never above it. The least of the one and the greatest of the other, over the last seconds, enclose
the offset: its middle is taken, and half of what is between is how far off that can be.
"""

from __future__ import annotations

import math

from drivers.board.codec import TICKS

BIN_S = 0.5
BINS = 4  # two seconds of extremes: the sweep of the inputs' frames takes that long
DRIFT = 1e-4  # of the two crystals against each other, at most
GOOD_S = 1e-3  # samples are told only while the mapping is at least so good


class BoardClock:
    """Board microseconds to seconds on our monotonic clock; None until it is good enough."""

    def __init__(self) -> None:
        self.jumps = 0
        self.restart()

    def restart(self) -> None:
        """Know nothing, as after a new start of the board."""
        self._last_us: int | None = None
        self._bins: list[tuple[int, float, float]] = []  # which, least after, greatest before
        self._bound_s = math.inf
        self._offset_s = 0.0

    @property
    def bound_s(self) -> float:
        """How far off a mapped time can be; infinite while nothing is known."""
        return self._bound_s

    def came(self, sent_ticks: int, now_s: float) -> None:
        """A frame that the board sent then has come by now (less its time on the wire)."""
        self._note(now_s, now_s - self._board_s(sent_ticks), -math.inf)

    def was_read(self, read_ticks: int, asked_s: float, now_s: float) -> None:
        """A question that we asked then was read by the board."""
        self._note(now_s, math.inf, asked_s - self._board_s(read_ticks))

    def ours_s(self, ticks: int) -> float | None:
        """The instant on our clock."""
        if self._bound_s > GOOD_S:
            return None
        return self._board_s(ticks) + self._offset_s

    def _board_s(self, ticks: int) -> float:
        """Unwrapped: the nearest to the last one, which is right within some 9 minutes."""
        last = ticks if self._last_us is None else self._last_us
        here = last + (ticks - last + TICKS // 2) % TICKS - TICKS // 2
        self._last_us = here if self._last_us is None else max(here, self._last_us)
        return here * 1e-6

    def _note(self, now_s: float, after_s: float, before_s: float) -> None:
        which = int(now_s / BIN_S)
        if self._bins and self._bins[-1][0] == which:
            _, least, greatest = self._bins[-1]
            self._bins[-1] = which, min(least, after_s), max(greatest, before_s)
        else:
            self._bins = [one for one in self._bins if one[0] > which - BINS]
            self._bins.append((which, after_s, before_s))
        self._settle(which)

    def _settle(self, which: int) -> None:
        """Each extreme may have moved with the crystals since: by so much it says less."""
        ages = [(which - one[0] + 1) * BIN_S * DRIFT for one in self._bins]
        least = min(one[1] + age for one, age in zip(self._bins, ages, strict=True))
        greatest = max(one[2] - age for one, age in zip(self._bins, ages, strict=True))
        if math.isinf(least) or math.isinf(greatest):
            self._bound_s = math.inf
        elif least < greatest:
            self.jumps += 1
            self.restart()
        else:
            self._offset_s = (least + greatest) / 2
            self._bound_s = (least - greatest) / 2
