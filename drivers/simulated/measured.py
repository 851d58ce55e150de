"""Measured ground: a grid of heights from an .npz file, mirrored into a periodic surface.

A file of ours holds u_m (along), v_m (across, left > 0) and z_mm (heights up); NaN is a hole.
Whatever is wrong with it is told in one sentence, with the number and what would be right.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.lib.npyio import NpzFile
from numpy.typing import NDArray

from drivers.simulated.surface import Surface

Floats = NDArray[np.float64]

KEYS = ("u_m", "v_m", "z_mm")
MAX_BYTES = 100_000_000  # of one array, unpacked: more is the wrong file, and might fill the memory
LEAST = 4  # positions along and across
STEP_M = (0.001, 1.0)  # between two positions: a finer grid is in other units, a wider no ground
MAX_HEIGHT_M = 2.0  # from the middle height: four times the rms of class H, more is in other units
RISE_OVER_M = 1.0
MAX_RISE_M = 0.5  # within RISE_OVER_M: the tracks can stand on it; steeper, the model has no answer
UNREADABLE = (  # what numpy and zipfile raise at a file that is damaged, locked or not theirs
    OSError, ValueError, EOFError, TypeError, AttributeError, KeyError, RuntimeError, MemoryError,
    BadZipFile, zlib.error, struct.error,
)  # fmt: skip


def load_grid(path: str | Path) -> Surface:
    """Read u_m, v_m, z_mm from an .npz file; ValueError with one clear sentence otherwise."""
    try:
        arrays = _arrays(path)
    except FileNotFoundError:
        raise ValueError(f"ground file {path} is not there") from None
    except IsADirectoryError:
        raise ValueError(f"ground file {path} is a folder; an .npz file is right") from None
    except UNREADABLE as error:
        told = getattr(error, "strerror", None) or error
        raise ValueError(f"ground file {path} cannot be read as .npz: {told}") from error
    try:
        u, v, z = (_numbers(name, arrays) for name in KEYS)
        return from_grid(u, v, z / 1000.0)
    except ValueError as error:
        raise ValueError(f"ground file {path}: {error}") from error


def _arrays(path: str | Path) -> dict[str, NDArray[np.generic]]:
    with Path(path).open("rb") as stream:
        data = np.load(stream, allow_pickle=False)
        if not isinstance(data, NpzFile):
            raise ValueError("it is one bare array (.npy); save u_m, v_m and z_mm by numpy.savez")
        with data:
            found = [key for key in KEYS if key in data.files]
            for item in data.zip.infolist() if data.zip is not None else ():
                if item.filename.removesuffix(".npy") in found and item.file_size > MAX_BYTES:
                    most = f"at most {MAX_BYTES / 1e6:.0f} MB is right"
                    raise ValueError(f"{item.filename} has {item.file_size / 1e6:.0f} MB; {most}")
            return {key: data[key] for key in found}


def _numbers(name: str, arrays: dict[str, NDArray[np.generic]]) -> Floats:
    """An array as plain numbers; numpy would make them of text, dates and complex ones as well."""
    if name not in arrays:
        missing = ", ".join(key for key in KEYS if key not in arrays)
        raise ValueError(f"{missing} missing; it needs the arrays {', '.join(KEYS)}")
    found = arrays[name]
    if found.dtype.kind not in "fiu":
        kind = "complex numbers" if found.dtype.kind == "c" else f"values of type {found.dtype}"
        raise ValueError(f"{name} holds {kind}; plain numbers are right")
    return found.astype(np.float64)


def from_grid(u: Floats, v: Floats, z: Floats, cell_m: float = 0.05) -> Surface:
    """A measured grid (z[u, v] in m; u along, v across, left > 0), mirrored end to end both ways.

    Holes take their nearest neighbour's height. Averaged over cells of about `cell_m`, since a
    track's shoe bridges what is narrower. x begins at the first u, y is v.
    Its mean is taken out. ValueError when it is no grid, or no ground that a machine stands on.
    """
    u, v, z = (np.asarray(a, dtype=np.float64) for a in (u, v, z))
    _check_grid(u, v, z)
    _check_heights(z)
    filled = _fill_nearest(z)
    du, dv = (float(a[-1] - a[0]) / (a.size - 1) for a in (u, v))
    ku, kv = max(1, round(cell_m / abs(du))), max(1, round(cell_m / abs(dv)))
    ku, kv = min(ku, u.size), min(kv, v.size)
    filled = _block_mean(filled, ku, kv)
    _check_rise(filled, abs(du) * ku, abs(dv) * kv)
    if dv < 0.0:
        filled = filled[:, ::-1]
    if du < 0.0:
        filled = filled[::-1]
    mirrored = np.concatenate([filled, filled[::-1]], axis=0)
    mirrored = np.concatenate([mirrored, mirrored[:, ::-1]], axis=1)
    middle = round((0.0 - min(float(v[0]), float(v[-1]))) / (abs(dv) * kv) - 0.5)
    mirrored = np.roll(mirrored, -middle, axis=1)  # y = 0 is v = 0, not a mirror's line
    return Surface(mirrored - mirrored.mean(), abs(du) * ku, abs(dv) * kv)


def _check_grid(u: Floats, v: Floats, z: Floats) -> None:
    if u.ndim != 1 or v.ndim != 1 or min(u.size, v.size) < LEAST:
        raise ValueError(f"a ground grid needs at least {LEAST} positions along and across")
    if z.shape != (u.size, v.size):
        raise ValueError(f"ground grid heights are {z.shape}, not {(u.size, v.size)}")
    for name, axis in (("along", u), ("across", v)):
        _check_positions(name, axis)


def _check_positions(name: str, axis: Floats) -> None:
    words = f"ground grid positions {name}"
    if not np.isfinite(axis).all():
        raise ValueError(f"{words} are not all finite")
    steps = np.diff(axis)
    step, low, high = abs(float(steps.mean())), *STEP_M
    # single precision may have rounded the positions themselves
    if not np.allclose(steps, steps.mean(), rtol=1e-2, atol=0.0):
        raise ValueError(f"{words} are not evenly spaced")
    if not low * (1.0 - 1e-3) <= step <= high * (1.0 + 1e-3):
        raise ValueError(f"{words} are {step:g} m apart; {low:g} to {high:g} m is right")


def _check_heights(z: Floats) -> None:
    if np.isinf(z).any():
        raise ValueError("a height of the ground grid is infinite; NaN marks a hole")
    if np.isnan(z).all():
        raise ValueError("a ground grid without a single height")
    off = np.abs(z - np.nanmedian(z))
    worst = np.unravel_index(int(np.nanargmax(off)), z.shape)
    if off[worst] > MAX_HEIGHT_M:
        at = f"[{worst[0]}, {worst[1]}]"
        raise ValueError(
            f"the height at z_mm{at}, {z[worst] * 1e3:g} mm, is {off[worst]:.3g} m from the "
            f"grid's middle height; at most {MAX_HEIGHT_M:g} m is right"
        )


def _check_rise(z: Floats, dx: float, dy: float) -> None:
    """No stretch of RISE_OVER_M either way may rise by more than MAX_RISE_M."""
    high, low = z, z
    for axis, cell in ((0, dx), (1, dy)):
        width = min(max(2, round(RISE_OVER_M / cell) + 1), z.shape[axis])
        window = np.lib.stride_tricks.sliding_window_view
        high = window(high, width, axis=axis).max(axis=-1)
        low = window(low, width, axis=axis).min(axis=-1)
    rise = float((high - low).max())
    if rise > MAX_RISE_M:
        raise ValueError(
            f"the ground rises by {rise:.2f} m within {RISE_OVER_M:g} m; "
            f"at most {MAX_RISE_M:g} m is right for this machine"
        )


def _fill_nearest(z: Floats) -> Floats:
    """Grow the known heights into the holes, one cell a pass."""
    while np.isnan(z).any():
        for axis, step in ((1, 1), (1, -1), (0, 1), (0, -1)):
            moved = np.roll(z, step, axis)
            rim = [slice(None), slice(None)]
            rim[axis] = slice(0, 1) if step > 0 else slice(-1, None)
            moved[tuple(rim)] = np.nan
            z = np.where(np.isnan(z), moved, z)
    return z


def _block_mean(z: Floats, ku: int, kv: int) -> Floats:
    nu, nv = z.shape[0] // ku, z.shape[1] // kv
    blocks = z[: nu * ku, : nv * kv].reshape(nu, ku, nv, kv)
    mean: Floats = blocks.mean(axis=(1, 3))
    return mean
