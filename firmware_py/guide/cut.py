"""How deep one pass may go: the present ground by chainage, and the limit below it.

Heights are over the job's target surface at that place, m, > 0 above it. Present ground is, in
this order: what the last pass left there (the edge's own record, mean of a cell, the higher end),
the job's own levels of the ground, and what the driver said when he set the datum on it.
"""

from __future__ import annotations

from collections.abc import Sequence

CELL = 0.25  # m of chainage that share one height; longer where a job has more than MOST cells
MOST = 1000  # cells: a state that is taken each 10 s must not hold the loop up


class Ground:
    """`note` the edge while it works; `height` is the present ground, None where nobody knows."""

    STATE = ("cells", "cell", "sum", "count", "datum")

    def __init__(
        self, first_m: float, last_m: float,
        stated: Sequence[tuple[float, float]] = (),
    ) -> None:  # fmt: skip
        """stated: (chainage, height) of the job's own levels, rising."""
        self._first = first_m
        self._size = max(CELL, (last_m - first_m) / (MOST - 1))
        self.cells: list[float | None] = [None] * (int((last_m - first_m) / self._size) + 1)
        self._stated = self._by_cell(stated)
        self.cell = -1  # the one being worked, its sum and its count
        self.sum, self.count = 0.0, 0
        self.datum: float | None = None

    def _by_cell(self, stated: Sequence[tuple[float, float]]) -> list[float | None]:
        """The stated heights at the middle of each cell; None beyond their ends."""
        out: list[float | None] = [None] * len(self.cells)
        at = 0
        for i in range(len(out)) if stated else ():
            x = self._first + (i + 0.5) * self._size
            while at < len(stated) - 2 and stated[at + 1][0] < x:
                at += 1
            (a, low), (b, high) = stated[at], stated[min(at + 1, len(stated) - 1)]
            if a <= x <= b and b > a:
                out[i] = low + (high - low) * (x - a) / (b - a)
        return out

    def _index(self, chainage: float) -> int | None:
        i = int((chainage - self._first) / self._size)
        return i if chainage >= self._first and i < len(self.cells) else None

    def note(self, chainage: float, height: float) -> None:
        """The higher end of the edge is working here; its cell is kept once it is left."""
        i = self._index(chainage)
        if i != self.cell:
            self.leave()
            self.cell = -1 if i is None else i
        if i is not None:
            self.sum += height
            self.count += 1

    def leave(self) -> None:
        """The blade stopped working: what it has done of this cell counts."""
        if self.count:
            self.cells[self.cell] = self.sum / self.count
        self.cell, self.sum, self.count = -1, 0.0, 0

    def height(self, chainage: float) -> float | None:
        """Present ground over the target, m."""
        i = self._index(chainage)
        if i is None:
            return self.datum
        noted = self.cells[i]
        if noted is not None:
            return noted
        stated = self._stated[i]
        return self.datum if stated is None else stated

    def set_datum(self, above: float | None) -> None:
        """A new datum: heights over the old one are void. above: of the ground, if it rests."""
        self.cells = [None] * len(self.cells)
        self.cell, self.sum, self.count = -1, 0.0, 0
        self.datum = above


def limit_over(ground: float | None, each: float) -> float:
    """How far over its target the edge stays in this pass, m: the higher of target and limit.

    The limit lies `each` below the present ground. 0 where the ground is not known.
    """
    return 0.0 if ground is None else max(ground - each, 0.0)


def cut_words(ground: float | None, limit: float) -> str:
    """'cutting 25, 55 left', in mm; '' where the ground is not known."""
    if ground is None:
        return ""
    depth, left = round((ground - limit) * 1e3), round(limit * 1e3)
    return f"cutting {depth}, {left} left" if depth >= 0 else f"filling {-depth}"
