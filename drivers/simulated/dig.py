"""Ground that stays as the blade leaves it: what is cut is gone, also for tracks and next pass.

The soil of each cell of the height grid is cut down to the edge where it stands above, goes into
the box, fills the cells below the edge while there is any, and spills over the ends when the box
is full. It does not bulk, is not compacted, and what is spilt lies where nobody drives (chosen).
Heights up, m; soil, m3.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.surface import Floats, Surface, Window

Cells = NDArray[np.int64]

CUT_FULL_M = 0.070  # mean depth of cut over the blade that takes all of the traction (chosen)
BOX_SHARE = 0.4  # of the traction that a full box takes (chosen)
LABOUR = 1.5  # share of speed lost for each share of load past the traction (chosen)
SLOWEST = 0.25  # of the wanted speed: the tracks spin, but it still moves (chosen)
SMOOTH_M = 0.15  # of way over which the load is felt (chosen)
LABOUR_S = 0.3  # s; an engine that is pulled down (chosen)
CELL_M = 0.0625  # of flat ground that is to be dug
CELLS = 2048  # per side of it


class Worked(Surface):
    """A copy of a surface whose cells can be changed; a cell is numbered ix * ny + iy."""

    def __init__(self, of: Surface) -> None:
        super().__init__(of.grid, of.dx, of.dy)
        # doubles: a thousand small cuts must sum up to what the box holds
        self.grid = of.heights()

    def cells(self, x: Floats, y: Floats) -> Cells:
        """The cell whose middle is nearest to each world position, m."""
        ix = np.floor(x / self.dx + 0.5).astype(np.int64) % self.nx
        iy = np.floor(y / self.dy + 0.5).astype(np.int64) % self.ny
        found: Cells = ix * self.ny + iy
        return found

    def at(self, cells: Cells) -> Floats:
        """Heights of cells, m."""
        return np.asarray(self.grid.take(cells), dtype=np.float64)

    def put(self, cells: Cells, z: Floats) -> None:
        """New heights."""
        self.grid.put(cells, z)

    def about(self, reach_m: float, points: int) -> Window:
        """Nothing laid out beforehand: the heights change under the blade."""
        return Bare(self, reach_m, points)


class Bare(Window):
    """A window that takes each height from the surface as it is now."""

    def corner(self, x: float, y: float) -> tuple[float, float]:
        """The world's zero."""
        return 0.0, 0.0

    def heights(self, grid: Floats) -> Floats:
        """Heights (m) at a 2 x points array of positions in cells."""
        ground = self._surface
        return ground.sample(grid[0] * ground.dx, grid[1] * ground.dy)


def diggable(ground: Surface, flat: bool) -> Worked:
    """Ground that can be dug; flat ground gets cells that are small enough."""
    if flat:
        ground = Surface(np.zeros((CELLS, CELLS), dtype=np.float32), CELL_M)
    return Worked(ground)


class Dig:
    """The blade in the soil: `pass_over` once a step; sums in m3."""

    def __init__(self, ground: Worked, mean_m: float, width_m: float, capacity_m3: float) -> None:
        self._ground, self._mean, self._capacity = ground, mean_m, capacity_m3
        self._area = ground.dx * ground.dy
        points = math.ceil(width_m / (0.6 * min(ground.dx, ground.dy))) + 1
        self._share = np.linspace(0.0, 1.0, points)  # from the left end to the right one
        self._width = width_m
        self._last = np.full(points, -1)
        self.carried_m3 = self.spilt_m3 = self.cut_m3 = self.filled_m3 = 0.0
        self.graded = (0.0, 0.0, 0.0)
        self.pace = 1.0  # share of the wanted speed that the tracks can do
        self._depth = 0.0  # m, mean over the blade, smoothed

    def pass_over(
        self, ends: tuple[tuple[float, float], tuple[float, float]], edge: tuple[float, float],
        ahead_m: float, dt: float,
    ) -> None:  # fmt: skip
        """ends: world x, y of left and right end; edge: their heights above design, m."""
        if ahead_m <= 0.0:
            self.pace = 1.0
            return
        (xl, yl), (xr, yr) = ends
        share = self._share
        cells = self._ground.cells(xl + share * (xr - xl), yl + share * (yr - yl))
        new = cells != self._last
        cut = 0.0
        if new.any():
            cut = self._work(cells, new, edge)
            self._last = cells
        self._labour(cut, ahead_m, dt)

    def _work(self, cells: Cells, new: Cells, edge: tuple[float, float]) -> float:
        """Cut and fill the cells that the edge has come to; m3 cut."""
        own, first = np.unique(cells[new], return_index=True)
        heights = edge[0] + self._share[new][first] * (edge[1] - edge[0]) - self._mean
        over = self._ground.at(own) - heights
        cut = self._area * float(over[over > 0.0].sum())
        need = -self._area * float(over[over < 0.0].sum())
        held = self.carried_m3 + cut
        part = held / need if need > held else 1.0
        left = np.where(over > 0.0, heights, heights + (1.0 - part) * np.minimum(over, 0.0))
        self._ground.put(own, left)
        held = max(held - part * need, 0.0)
        self.cut_m3 += cut
        self.filled_m3 += part * need
        self.spilt_m3 += max(held - self._capacity, 0.0)
        self.carried_m3 = min(held, self._capacity)
        z = self._ground.at(cells[[0, cells.size // 2, -1]]) + self._mean
        self.graded = float(z[0]), float(z[1]), float(z[2])
        return cut

    def _labour(self, cut: float, ahead_m: float, dt: float) -> None:
        """How fast the machine still goes against what the blade pushes."""
        share = min(ahead_m / SMOOTH_M, 1.0)
        self._depth += cut / (self._width * SMOOTH_M) - share * self._depth
        full = self.carried_m3 / self._capacity if self._capacity else 1.0
        load = self._depth / CUT_FULL_M + BOX_SHARE * full
        wanted = 1.0 if load <= 1.0 else max(1.0 - LABOUR * (load - 1.0), SLOWEST)
        self.pace += (wanted - self.pace) * min(dt / LABOUR_S, 1.0)
