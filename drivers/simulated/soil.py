"""What the blade leaves behind, at three columns: left end, middle, right end.

It cuts where the ground is above its edge, carries what it cut in its box up to a capacity
(the rest spills over the ends), and fills where the ground is below while any is carried.
Heights up (m), soil in m3; the soil does not bulk and is not compacted (chosen).
"""

from __future__ import annotations


class Box:
    """The soil carried, and the last as-graded heights by column."""

    def __init__(self, width_m: float, capacity_m3: float) -> None:
        self._column = width_m / 3.0
        self._capacity = capacity_m3
        self.carried_m3 = 0.0
        self.spilt_m3 = 0.0
        self.graded = (0.0, 0.0, 0.0)

    def pass_over(
        self, ground: tuple[float, float, float], edge: tuple[float, float, float], ahead_m: float
    ) -> None:
        """Move the edge over the ground by `ahead_m`; reversing leaves what is there."""
        if ahead_m <= 0.0:
            return
        area = self._column * ahead_m
        over = (ground[0] - edge[0], ground[1] - edge[1], ground[2] - edge[2])
        high = low = 0.0
        for height in over:
            if height > 0.0:
                high += height
            else:
                low -= height
        held = self.carried_m3 + area * high
        need = area * low
        share = 1.0 if need <= held else held / need
        held -= share * need
        self.spilt_m3 += max(held - self._capacity, 0.0)
        self.carried_m3 = min(held, self._capacity)
        bare = 1.0 - share  # of each hollow stays open
        self.graded = (
            edge[0] + bare * min(over[0], 0.0),
            edge[1] + bare * min(over[1], 0.0),
            edge[2] + bare * min(over[2], 0.0),
        )
