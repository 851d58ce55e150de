"""Ground as a periodic height grid, and random ground of an ISO 8608 class.

Measured ground is in measured.py.

x and y are world axes (m), heights z are up (m). Random ground is isotropic: every straight line
over it has the one-sided profile PSD Gd(n) = Gd(n0) (n/n0)^-2, n in cycles/m. The two-sided
plane PSD that gives this is C k^-3 with C = Gd(n0) n0^2 / 4, as the integral of
C (nx^2 + ny^2)^-1.5 over ny is 2C/nx^2, and one-sided doubles it.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

N0 = 0.1  # cycles/m, reference of ISO 8608
CLASS_GD = {  # m3, geometric means at N0 (ISO 8608)
    letter: 16e-6 * 4.0**i for i, letter in enumerate("ABCDEFGH")
}
SPACING = 0.0625  # m
CELLS = 2048  # per side: 128 m
K_MIN = 1.0 / 128.0  # cycles/m: the longest wave that the grid holds
K_MAX = 5.66  # cycles/m: an octave past ISO's 2.83, so that a line is whole up to there
POSITIVE = 4096  # periods added before truncation, so that truncation is floor


class Surface:
    """A periodic grid of heights with bilinear sampling."""

    def __init__(self, z: NDArray[np.floating], dx: float, dy: float | None = None) -> None:
        dy = dx if dy is None else dy
        self.nx, self.ny = z.shape
        self.dx, self.dy = dx, dy
        self.size_x, self.size_y = self.nx * dx, self.ny * dy
        self._cells = np.array([[self.nx], [self.ny]], dtype=np.int64)
        self.shift = (POSITIVE * self.nx, POSITIVE * self.ny)
        self._keep(np.asarray(z, dtype=np.float32), 0, 0)

    def _keep(self, z: NDArray[np.float32], beyond_x: int, beyond_y: int) -> None:
        """Lay out the heights for sampling, with so many cells again beyond each edge."""
        rim = ((beyond_x, beyond_x + 1), (beyond_y, beyond_y + 1))
        self._flat = np.pad(z, rim, mode="wrap").ravel()
        self._beyond = (beyond_x, beyond_y)
        self._stride = stride = self.ny + 2 * beyond_y + 1
        self._steps = np.array([stride, 1.0])
        # corners ordered (0,0), (1,0), (0,1), (1,1)
        corners = np.array([[0], [stride], [1], [stride + 1]], dtype=np.int64)
        self._corners = corners + (beyond_x * stride + beyond_y)

    def widen(self, reach_m: float) -> None:
        """Let `sample_about` reach this far from its middle."""
        x, y = (math.ceil(reach_m / step) + 1 for step in (self.dx, self.dy))
        if x > self._beyond[0] or y > self._beyond[1]:
            self._keep(self._grid(), max(x, self._beyond[0]), max(y, self._beyond[1]))

    def sample_cells(self, grid: Floats) -> Floats:
        """Heights (m) at a 2 x N array of positive grid coordinates (cells, plus `shift`)."""
        cell = np.floor(grid)
        index = cell.astype(np.int64)
        index %= self._cells
        return self._between(index[0] * self._stride + index[1], grid - cell)

    def sample_about(self, grid: Floats, x: float, y: float) -> Floats:
        """The same, for points no further from (x, y) than was asked of `widen`; faster.

        The whole periods are those of (x, y): what lies past an edge is found beyond it.
        """
        cell = np.floor(grid)
        place = self._steps.dot(cell)
        place -= x // self.nx * self.nx * self._stride + y // self.ny * self.ny
        return self._between(place.astype(np.int64), grid - cell)

    def _between(self, place: NDArray[np.int64], part: Floats) -> Floats:
        """Bilinear heights: part of the way (2 x N) into the cells at these places."""
        corner = self._flat.take(place + self._corners)
        near = corner[:2]
        # single precision is turned to double by itself: mixed, numpy takes thrice the time
        edge = (corner[2:] - near).astype(np.float64)
        edge *= part[1]
        edge += near
        low = edge[0]
        out: Floats = edge[1] - low
        out *= part[0]
        out += low
        return out

    def sample(self, x: Floats, y: Floats) -> Floats:
        """Heights (m) at arrays of world positions (m)."""
        gx = np.asarray(x, dtype=np.float64) / self.dx + self.shift[0]
        gy = np.asarray(y, dtype=np.float64) / self.dy + self.shift[1]
        out = self.sample_cells(np.stack([gx.ravel(), gy.ravel()]))
        return out.reshape(np.shape(gx))

    def heights(self) -> Floats:
        """The grid itself, nx by ny (m)."""
        return self._grid().astype(np.float64)

    def _grid(self) -> NDArray[np.float32]:
        x, y = self._beyond
        rows: NDArray[np.float32] = self._flat.reshape(-1, self._stride)
        return rows[x : x + self.nx, y : y + self.ny]


def flat() -> Surface:
    """Ground without any roughness, for tests."""
    return Surface(np.zeros((4, 4), dtype=np.float32), 1.0)


@lru_cache(maxsize=1)
def iso_8608(seed: int, letter: str) -> Surface:
    """Isotropic random ground of an ISO 8608 class, "A" to "H", periodic over 128 m."""
    if letter not in CLASS_GD:
        raise ValueError(f"ground class {letter!r} is none of A to H")
    gen = np.random.default_rng([seed, 8608])
    white = np.fft.rfft2(gen.standard_normal((CELLS, CELLS), dtype=np.float32))
    nx = np.fft.fftfreq(CELLS, SPACING).astype(np.float32)
    ny = np.fft.rfftfreq(CELLS, SPACING).astype(np.float32)
    k = np.sqrt(nx[:, None] ** 2 + ny[None, :] ** 2)
    outside = (k < K_MIN * 0.999) | (k > K_MAX)
    k[outside] = 1.0
    constant = CLASS_GD[letter] * N0**2 / 4.0
    white *= np.sqrt(np.float32(constant) / k**3) / np.float32(SPACING)
    white[outside] = 0.0
    return Surface(np.fft.irfft2(white, s=(CELLS, CELLS)), SPACING)


def roughness(gen: np.random.Generator, rms_m: float, cell_m: float = 0.03) -> Surface:
    """A finished surface's texture: white at `cell_m`, periodic over 256 cells."""
    return Surface(rms_m * gen.standard_normal((256, 256)), cell_m)
