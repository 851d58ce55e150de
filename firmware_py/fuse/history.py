"""The last moments of what the blade did, so that an echo can be placed at its own instant."""

from __future__ import annotations

DEPTH = 128  # ticks: 0.64 s at 200 Hz, more than the latest sample that intake lets in

# time s; cumulated: mean lift m, roll turned, pitch turned; then roll, pitch, grade (rad)
Row = tuple[float, float, float, float, float, float, float]
NONE: Row = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


class History:
    """Ring of the blade's pose at each tick: what valves and gyros moved it, and its tilt."""

    STATE = ("rows", "newest", "count")

    def __init__(self) -> None:
        self.rows: list[Row] = [NONE] * DEPTH
        self.newest = 0
        self.count = 0

    def reset(self) -> None:
        """Forget everything."""
        self.count = 0

    def push(self, row: Row) -> None:
        """Add the pose at one tick; times must rise."""
        self.newest = (self.newest + 1) % DEPTH
        self.rows[self.newest] = row
        self.count = min(self.count + 1, DEPTH)

    def now(self) -> Row:
        """The newest row."""
        return self.rows[self.newest]

    def at(self, time_s: float) -> Row | None:
        """The row at an instant, linear between ticks; None when it is older than the ring."""
        if not self.count:
            return None
        after = self.rows[self.newest]
        if time_s >= after[0]:
            return after
        for back in range(1, self.count):
            before = self.rows[(self.newest - back) % DEPTH]
            if before[0] <= time_s:
                return _between(before, after, time_s)
            after = before
        return None


def _between(a: Row, b: Row, time_s: float) -> Row:
    w = (time_s - a[0]) / (b[0] - a[0])
    return (
        time_s,
        a[1] + w * (b[1] - a[1]),
        a[2] + w * (b[2] - a[2]),
        a[3] + w * (b[3] - a[3]),
        a[4] + w * (b[4] - a[4]),
        a[5] + w * (b[5] - a[5]),
        a[6] + w * (b[6] - a[6]),
    )
