"""What the edge leaves behind it, which the tracks go over a little later: seen in advance.

The tracks follow the blade. Where it cuts, the ground that will lift and tilt them is the edge's
own path some way back, which is known. Whether it does so (ground of which the blade is clear,
hollows that no soil fills) is learnt: the pitch rate foreseen is held against the gyro's.

A track is a least-squares line through the ground under it, as in ground.py: with z at front and
rear, its mean rises by (z_f - z_r) / L a metre of way, and its slope by
12 / L^3 (L/2 (z_f + z_r) - integral of z), by parts. Heights up, m; roll > 0 left end up, rad;
slope > 0 nose up; way and places along travel, m.
"""

from __future__ import annotations

import math

GRID_M = 0.01
WIDE_M = 0.06  # m to each side over which z is averaged: as wide as a track averages it (ground.py)
MEMORY_M = 4.0  # m of way over which what was foreseen is held against what came
LEAST_M = 3.0  # m of it before anything is believed
BELIEVE, DOUBT = 0.6, 0.3  # squared correlation from which it counts, and under which no more
SCALE = (0.6, 1.6)  # what came for each part foreseen: outside of it, it was something else
GONE_M = 0.02  # m; backing further than this ends the path


class Path:
    """Running integral of one quantity along the way, on a grid, in a ring."""

    STATE = ("sums", "total", "last")

    def __init__(self, depth: int) -> None:
        self.depth = depth
        self.sums = [0.0] * depth
        self.total = self.last = 0.0

    def start(self, value: float) -> None:
        """Begin anew."""
        self.sums = [0.0] * self.depth
        self.total, self.last = 0.0, value

    def put(self, place: int, value: float) -> None:
        """The integral up to a grid place, the value there."""
        self.total += 0.5 * (self.last + value) * GRID_M
        self.last = value
        self.sums[place % self.depth] = self.total

    def integral(self, at: float) -> float:
        """Up to `at`, in grid steps."""
        low = math.floor(at)
        one = self.sums[low % self.depth]
        return one + (at - low) * (self.sums[(low + 1) % self.depth] - one)


class Trail:
    """`push` once a tick; `rates` where the tracks' middle is, or will be."""

    STATE = (
        "heights", "rolls", "way", "places", "level", "roll", "both", "foreseen", "came", "tested",
        "trusted",
    )  # fmt: skip

    def __init__(self, track_m: float, ahead_m: float) -> None:
        self.track, self.ahead = track_m, ahead_m
        self.whole = ahead_m + track_m / 2 + WIDE_M + GRID_M  # m of way that the tracks may need
        depth = math.ceil(self.whole / GRID_M) + 4
        self.heights, self.rolls = Path(depth), Path(depth)
        self.both = self.foreseen = self.came = self.tested = 0.0
        self.trusted = False
        self.lose()

    def lose(self) -> None:
        """Begin the path anew; what was learnt of the ground stays."""
        self.way = self.level = self.roll = 0.0
        self.places = -1  # the last grid place that is laid down; none

    @property
    def covers(self) -> bool:
        """True when all that the tracks stand on is known."""
        return self.way > self.whole

    def push(self, forward: float, level: float | None, roll: float) -> None:
        """The edge went forward (m) to this mean height and roll; None: height not known."""
        if level is None or forward < -GONE_M:
            self.lose()
            return
        if self.places < 0:
            self.heights.start(level)
            self.rolls.start(roll)
            self.places, self.way = 0, 0.0
        elif forward > 0.0:
            self._lay(forward, level, roll)
        self.level, self.roll = level, roll

    def _lay(self, forward: float, level: float, roll: float) -> None:
        before, self.way = self.way, self.way + forward
        while (self.places + 1) * GRID_M <= self.way:
            self.places += 1
            part = (self.places * GRID_M - before) / forward
            self.heights.put(self.places, self.level + part * (level - self.level))
            self.rolls.put(self.places, self.roll + part * (roll - self.roll))

    def rates(self, on: float) -> tuple[float, float, float]:
        """By the metre of way, the tracks being `on` m further: rise of their mean, slope, roll.

        m/m, rad/m, rad/m; call only while it `covers`.
        """
        front = self.way - self.ahead + on + self.track / 2
        most = self.places * GRID_M - WIDE_M
        front = min(front, most)
        rear = front - self.track
        zf, zr = self._mean(self.heights, front), self._mean(self.heights, rear)
        under = self.heights.integral(front / GRID_M) - self.heights.integral(rear / GRID_M)
        slope = 12.0 / self.track**3 * (0.5 * self.track * (zf + zr) - under)
        turn = self._mean(self.rolls, front) - self._mean(self.rolls, rear)
        return (zf - zr) / self.track, slope, turn / self.track

    @staticmethod
    def _mean(path: Path, at: float) -> float:
        high, low = (at + WIDE_M) / GRID_M, (at - WIDE_M) / GRID_M
        return (path.integral(high) - path.integral(low)) / (2.0 * WIDE_M)

    def learn(self, foreseen: float, came: float, forward: float) -> None:
        """Pitch rates over the last moments, rad/s: foreseen, and as the gyro saw it."""
        keep = math.exp(-forward / MEMORY_M)
        self.both = keep * self.both + foreseen * came * forward
        self.foreseen = keep * self.foreseen + foreseen * foreseen * forward
        self.came = keep * self.came + came * came * forward
        self.tested = keep * self.tested + forward
        share = self.both**2 / (self.foreseen * self.came) if self.foreseen * self.came else 0.0
        fits = SCALE[0] * self.foreseen < self.both < SCALE[1] * self.foreseen
        enough = self.tested > MEMORY_M * -math.expm1(-LEAST_M / MEMORY_M)
        limit = DOUBT if self.trusted else BELIEVE
        self.trusted = enough and fits and share > limit
