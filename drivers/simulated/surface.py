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
SLACK = 24  # cells that a window's place may move before it is laid out anew
ONES = np.ones(4)
K_MIN = 1.0 / 128.0  # cycles/m: the longest wave that the grid holds
K_MAX = 5.66  # cycles/m: an octave past ISO's 2.83, so that a line is whole up to there


class Surface:
    """A periodic grid of heights with bilinear sampling."""

    def __init__(self, z: NDArray[np.floating], dx: float, dy: float | None = None) -> None:
        dy = dx if dy is None else dy
        self.nx, self.ny = z.shape
        self.dx, self.dy = dx, dy
        self.size_x, self.size_y = self.nx * dx, self.ny * dy
        self.grid: NDArray[np.floating] = np.asarray(z, dtype=np.float32)

    def sample(self, x: Floats, y: Floats) -> Floats:
        """Heights (m) at arrays of world positions (m)."""
        u, v = np.asarray(x, dtype=np.float64) / self.dx, np.asarray(y, dtype=np.float64) / self.dy
        i, j = np.floor(u), np.floor(v)
        fx, fy = u - i, v - j
        i0, j0 = i.astype(np.int64) % self.nx, j.astype(np.int64) % self.ny
        i1, j1 = (i0 + 1) % self.nx, (j0 + 1) % self.ny
        z = self.grid
        near = z[i0, j0] * (1.0 - fx) + z[i1, j0] * fx
        out: Floats = near * (1.0 - fy) + (z[i0, j1] * (1.0 - fx) + z[i1, j1] * fx) * fy
        return out

    def heights(self) -> Floats:
        """The grid itself, nx by ny (m)."""
        return self.grid.astype(np.float64)

    def about(self, reach_m: float, points: int) -> Window:
        """To sample so many points at a time, none further than reach_m from a place."""
        return Window(self, reach_m, points)


class Window:
    """The same heights about a place that moves, laid out so that a tick gets them quickly.

    Each cell stands as its own polynomial a + b u + c v + d u v, u and v from 0 to 1 over it.
    """

    def __init__(self, surface: Surface, reach_m: float, points: int) -> None:
        self._surface = surface
        near = (math.ceil(reach_m / step) + 1 for step in (surface.dx, surface.dy))
        self._half_x, self._half_y = (cells + SLACK for cells in near)
        self._middle_x = self._middle_y = 0
        self._coefficients: Floats = np.empty((0, 4))
        self._steps = np.array([2.0 * self._half_y + 1.0, 1.0])
        self._terms = np.ones((points, 4))  # 1, u, v, u v
        self._u, self._v, self._uv = (self._terms[:, k] for k in (1, 2, 3))
        self._part = self._terms[:, 1:3].T

    def corner(self, x: float, y: float) -> tuple[float, float]:
        """Where the window begins (cells from the world's zero), once it has moved to x, y (m)."""
        i, j = math.floor(x / self._surface.dx), math.floor(y / self._surface.dy)
        off = max(abs(i - self._middle_x), abs(j - self._middle_y))
        if not self._coefficients.size or off > SLACK:
            self._middle_x, self._middle_y = i, j
            self._coefficients = self._lay_out(i - self._half_x, j - self._half_y)
        return float(self._middle_x - self._half_x), float(self._middle_y - self._half_y)

    def heights(self, grid: Floats) -> Floats:
        """Heights (m) at a 2 x points array of positions in cells from the `corner`."""
        cell = np.floor(grid)
        np.subtract(grid, cell, self._part)
        np.multiply(self._u, self._v, self._uv)
        # the arrays' own methods: numpy's functions take their time over small ones
        found = self._coefficients.take(self._steps.dot(cell).astype(np.int64), 0)
        found *= self._terms
        out: Floats = found.dot(ONES)
        return out

    def _lay_out(self, first_x: int, first_y: int) -> Floats:
        ground = self._surface
        x = np.arange(first_x, first_x + 2 * self._half_x + 2) % ground.nx
        y = np.arange(first_y, first_y + 2 * self._half_y + 2) % ground.ny
        z = ground.grid[np.ix_(x, y)].astype(np.float64)
        a = z[:-1, :-1]
        b, c = z[1:, :-1] - a, z[:-1, 1:] - a
        return np.stack([a, b, c, z[1:, 1:] - a - b - c], axis=-1).reshape(-1, 4)


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
