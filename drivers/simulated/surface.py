"""Ground as a periodic height grid, and random ground of an ISO 8608 class.

Measured ground is in measured.py.

x and y are world axes (m), heights z are up (m). Random ground is isotropic: every straight line
over it has the one-sided profile PSD Gd(n) = Gd(n0) (n/n0)^-2, n in cycles/m. The two-sided
plane PSD that gives this is C k^-3 with C = Gd(n0) n0^2 / 4, as the integral of
C (nx^2 + ny^2)^-1.5 over ny is 2C/nx^2, and one-sided doubles it.
"""

from __future__ import annotations

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
        padded = np.pad(np.asarray(z, dtype=np.float32), ((0, 1), (0, 1)), mode="wrap")
        self._flat = np.ascontiguousarray(padded).ravel()
        self._stride = self.ny + 1
        # corners ordered (0,0), (1,0), (0,1), (1,1)
        self._corners = np.array([[0], [self._stride], [1], [self._stride + 1]], dtype=np.int64)
        self._cells = np.array([[self.nx], [self.ny]], dtype=np.int64)
        self.shift = (POSITIVE * self.nx, POSITIVE * self.ny)

    def sample_cells(self, grid: Floats) -> Floats:
        """Heights (m) at a 2 x N array of positive grid coordinates (cells, plus `shift`)."""
        index = grid.astype(np.int64)
        part = grid - index
        index %= self._cells
        corner = self._flat.take(index[0] * self._stride + index[1] + self._corners)
        near = corner[:2]
        edge = near + (corner[2:] - near) * part[1]
        low: Floats = edge[0]
        out: Floats = low + (edge[1] - low) * part[0]
        return out

    def sample(self, x: Floats, y: Floats) -> Floats:
        """Heights (m) at arrays of world positions (m)."""
        gx = np.asarray(x, dtype=np.float64) / self.dx + self.shift[0]
        gy = np.asarray(y, dtype=np.float64) / self.dy + self.shift[1]
        out = self.sample_cells(np.stack([gx.ravel(), gy.ravel()]))
        return out.reshape(np.shape(gx))

    def heights(self) -> Floats:
        """The grid itself, nx by ny (m)."""
        grid = self._flat.reshape(self.nx + 1, self.ny + 1)
        return grid[:-1, :-1].astype(np.float64)


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
