"""When the samples in a chip's FIFO were ready, on our clock.

The chip counts by its own oscillator, some percent off. What is known: the newest sample in the
FIFO was ready before the read, and less than one chip period before. The time is carried on by the
chip's period and held inside that window; the period is found from the counts themselves.
"""

from __future__ import annotations

from collections import deque

BASE_S = 10.0  # s of reads that the period is taken over: one count in 2000 at 200 Hz
MARK_S = 0.25  # s between the marks kept of them
FIRST_COUNTS = 40  # before so many the nominal period serves: their one count is worth 2.5 %
ODD_RATE = 0.15  # of the nominal: beyond it, counts and clock do not belong together


class ChipClock:
    """Times of one unbroken run of samples; `reset` where the run breaks."""

    def __init__(self, nominal_s: float) -> None:
        if not 0.0 < nominal_s < 1.0:
            raise ValueError(f"a period of {nominal_s} s is no sampling period")
        self.nominal_s = nominal_s
        self.period_s = nominal_s
        self.reset()

    def reset(self) -> None:
        """Forget the run, but not the period, which is the chip's own."""
        self._marks: deque[tuple[float, int]] = deque()
        self._count = self._newest_count = 0
        self._newest: float | None = None
        self._last: float | None = None

    @property
    def spread_s(self) -> float:
        """The window is one period wide; where counts and reads beat, far less is left of it."""
        return self.period_s

    @property
    def rate_off(self) -> bool:
        """The chip's rate is further from its nominal one than any oscillator."""
        return abs(self.period_s / self.nominal_s - 1.0) > ODD_RATE

    def take(self, now_s: float, taken: int, left: int) -> list[float]:
        """Ready times of the samples just taken, oldest first; left: those still in the FIFO."""
        if taken <= 0:
            return []
        total = self._count + taken
        newest = self._place(now_s, total + left)
        self._learn(now_s, total + left)
        end = newest - left * self.period_s
        start = self._last
        if start is None:
            start = end - taken * self.period_s
        end = min(max(end, start + 0.5 * taken * self.period_s), now_s)
        step = (end - start) / taken
        self._count, self._last = total, end
        return [start + step * (i + 1) for i in range(taken)]

    def _place(self, now_s: float, counted: int) -> float:
        """The newest sample's time: carried on, then into (now - period, now]."""
        if self._newest is None:
            newest = now_s - 0.5 * self.period_s
        else:
            newest = self._newest + (counted - self._newest_count) * self.period_s
        newest = min(max(newest, now_s - self.period_s), now_s)
        self._newest, self._newest_count = newest, counted
        return newest

    def _learn(self, now_s: float, counted: int) -> None:
        marks = self._marks
        if marks and now_s < marks[-1][0] + MARK_S:
            return
        if marks and counted - marks[0][1] >= FIRST_COUNTS:
            self.period_s = (now_s - marks[0][0]) / (counted - marks[0][1])
        marks.append((now_s, counted))
        while marks[-1][0] - marks[0][0] > BASE_S:
            marks.popleft()


class PollClock:
    """For a chip without a FIFO: a new reading became ready within the last period."""

    def __init__(self, nominal_s: float) -> None:
        self.period_s = nominal_s
        self.spread_s = 0.5 * nominal_s

    rate_off = False

    def reset(self) -> None:
        """There is nothing to forget."""

    def take(self, now_s: float, taken: int, left: int) -> list[float]:
        """Half a period before the read, give or take half a period; one reading at a time."""
        return [now_s - 0.5 * self.period_s] * taken
