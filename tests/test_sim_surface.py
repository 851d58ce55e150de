"""The simulated ground against ISO 8608 (docs: checks.md's figures), and measured grids."""

from __future__ import annotations

import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.signal import welch

from drivers.simulated.dig import Worked
from drivers.simulated.measured import MAX_HEIGHT_M, MAX_RISE_M, from_grid, load_grid
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.surface import (
    CLASS_GD,
    N0,
    SPACING,
    Surface,
    iso_8608,
)
from drivers.simulated.world import World

GRID = Path(__file__).parents[2] / "shared" / "data" / "ground_belgian_block_grid_mm.npz"
SEED = 3
OCTAVES = [(0.0625 * 2.0**k, 0.125 * 2.0**k) for k in range(5)]  # cycles/m, to 2.0


def _lines(z: NDArray[np.float64], direction: str) -> tuple[NDArray[np.float64], float]:
    """Lines over the grid's own nodes, one a row, and their step (m)."""
    if direction == "x":
        return z.T[::8], SPACING
    if direction == "y":
        return z[::8], SPACING
    n = z.shape[0]
    i = np.arange(n)
    return np.stack([z[i, (i + k) % n] for k in range(0, n, 8)]), SPACING * math.sqrt(2.0)


@pytest.mark.parametrize("direction", ["x", "y", "diagonal"])
def test_every_line_has_the_standards_psd(direction: str) -> None:
    """ISO 8608: Gd(n) = Gd(n0) (n/n0)^-2; by octave, 25 % below 0.25 cycles/m, 10 % above."""
    lines, step = _lines(iso_8608(SEED, "D").heights(), direction)
    n, psd = welch(lines, fs=1.0 / step, nperseg=1024, axis=1)
    mean = psd.mean(axis=0)
    for low, high in OCTAVES:
        band = (n >= low) & (n < high)
        expected = np.mean(CLASS_GD["D"] * (n[band] / N0) ** -2.0)
        tolerance = 0.25 if low < 0.25 else 0.10
        assert mean[band].mean() / expected == pytest.approx(1.0, abs=tolerance), (low, high)


def test_class_rms_is_4_mm_doubling_per_class() -> None:
    """checks.md: class A rms for wavelengths 0.1 to 100 m = 4.00 mm, doubling (derived)."""
    rms = {c: math.sqrt(g * N0**2 * (100.0 - 0.1)) for c, g in CLASS_GD.items()}
    assert 1e3 * rms["A"] == pytest.approx(4.00, abs=0.005)
    assert [round(rms[c] / rms["A"]) for c in "ABCDEFGH"] == [1, 2, 4, 8, 16, 32, 64, 128]
    assert CLASS_GD["D"] == pytest.approx(1024e-6)


def test_measured_rms_of_lines_matches_the_class() -> None:
    """Class D, waves to 85 m (the bins of a 128 m line from the second on): 16 x that share."""
    z = iso_8608(SEED, "D").heights()
    power = np.abs(np.fft.rfft(z[:, ::4], axis=0) / z.shape[0]) ** 2
    rms = math.sqrt(2.0 * power[2:].sum(axis=0).mean())
    theory = math.sqrt(1024e-6 * N0**2 * (128.0 / 1.5 - 1.0 / 5.66))
    assert rms == pytest.approx(theory, rel=0.15)


def test_sampling_is_bilinear_periodic_and_negative_positions_work() -> None:
    z = np.arange(20.0).reshape(4, 5)
    ground = Surface(z, 0.5, 0.25)
    x = np.array([0.0, 0.5, 0.25, -0.5, 2.0, 0.0])
    y = np.array([0.0, 0.25, 0.125, 0.0, 1.25, -0.25])
    expected = [0.0, 6.0, 3.0, 15.0, 0.0, 4.0]
    assert ground.sample(x, y).tolist() == pytest.approx(expected)


@pytest.mark.parametrize("worked", [False, True])
def test_ground_about_one_place_is_the_same_across_the_edges_too(worked: bool) -> None:
    """`sample` is checked above and against scipy; a window gives the same, wherever it is."""
    gen = np.random.default_rng(5)
    ground = Surface(gen.standard_normal((7, 11)), 0.5, 0.25)
    ground = Worked(ground) if worked else ground
    window, step = ground.about(2.9, 30), np.array([[0.5], [0.25]])  # further than the grid is wide
    walk = np.cumsum(gen.uniform(-1.0, 1.0, (300, 2)), axis=0)  # within the window and out of it
    for middle in np.concatenate([walk, gen.uniform(-40.0, 40.0, (50, 2))]):
        points = middle[:, None] + gen.uniform(-2.0, 2.0, (2, 30))
        corner = np.array([window.corner(*middle.tolist())]).T
        found = window.heights(points / step - corner)
        assert found == pytest.approx(ground.sample(*points), abs=1e-12)


def test_sampling_agrees_with_scipys_periodic_linear_interpolation() -> None:
    """scipy.ndimage.map_coordinates, order 1, mode grid-wrap: a reference library."""
    gen = np.random.default_rng(6)
    ground = Surface(gen.standard_normal((40, 60)).astype(np.float32), 0.5, 0.25)
    x, y = gen.uniform(-30.0, 50.0, (2, 400))
    at = np.stack([x / 0.5, y / 0.25])
    theirs = map_coordinates(ground.heights(), at, order=1, mode="grid-wrap")
    assert ground.sample(x, y) == pytest.approx(theirs, abs=1e-12)


def test_same_seed_same_ground_and_another_differs() -> None:
    first = iso_8608(5, "D").heights()
    other = iso_8608(6, "D").heights()
    assert np.array_equal(first, iso_8608(5, "D").heights())
    assert not np.array_equal(first, other)


def test_a_grid_is_mirrored_both_ways_and_holes_are_filled() -> None:
    u, v = np.arange(6) * 0.1, (np.arange(5) - 2) * 0.1
    z = 0.1 * np.add.outer(u, 10.0 * v)
    z[0, 0] = math.nan
    ground = from_grid(u, v, z)
    x = np.array([0.0, 0.5, 0.6, 1.1, 1.2])  # 6 cells there, 6 back, and anew
    along = ground.sample(x, np.zeros(5))
    assert along[0] == pytest.approx(along[3]) == pytest.approx(along[4])
    assert along[1] == pytest.approx(along[2])
    across = ground.sample(np.full(3, 0.2), np.array([-0.1, 0.0, 0.1]))
    assert np.diff(across).tolist() == pytest.approx([0.1, 0.1], abs=1e-6)


@pytest.mark.parametrize(
    ("u", "v", "z", "words"),
    [
        ([0, 1, 2, 4], [0, 1, 2, 3], np.zeros((4, 4)), "evenly"),
        ([0, 1, 2, 3], [0, 1, 2, 3], np.zeros((4, 3)), "heights"),
        ([0, 1], [0, 1], np.zeros((2, 2)), "at least 4"),
        ([0, 1, 2, 3], [0, 1, 2, 3], np.full((4, 4), np.nan), "single height"),
    ],
)
def test_what_is_no_grid_is_refused(u: list[float], v: list[float], z: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        from_grid(np.array(u, float), np.array(v, float), np.asarray(z, float))


def test_files_that_are_no_ground_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not there"):
        load_grid(tmp_path / "none.npz")
    (tmp_path / "text.npz").write_text("no grid")
    with pytest.raises(ValueError, match="cannot be read"):
        load_grid(tmp_path / "text.npz")
    np.savez(tmp_path / "keys.npz", u_m=np.arange(4.0))
    with pytest.raises(ValueError, match="v_m, z_mm missing"):
        load_grid(tmp_path / "keys.npz")
    np.save(tmp_path / "bare.npy", np.zeros((4, 4)))
    (tmp_path / "bare.npy").rename(tmp_path / "bare.npz")
    with pytest.raises(ValueError, match=r"bare array \(.npy\); save u_m, v_m and z_mm"):
        load_grid(tmp_path / "bare.npz")
    (tmp_path / "folder.npz").mkdir()
    with pytest.raises(ValueError, match=r"is a folder; an \.npz file is right"):
        load_grid(tmp_path / "folder.npz")


def _saved(path: Path, z: object, step: float = 0.1) -> Path:
    axis = np.arange(30) * step
    np.savez(path, u_m=axis, v_m=axis, z_mm=z)
    return path


def _odd(at: float) -> NDArray[np.float64]:
    """Level ground with one odd height, mm."""
    z = np.zeros((30, 30))
    z[3, 4] = at
    return z


@pytest.mark.parametrize(
    ("z", "step", "words"),
    [
        (np.zeros((30, 30), complex), 0.1, "z_mm holds complex numbers; plain numbers are right"),
        (np.zeros((30, 30)).astype(str), 0.1, "z_mm holds values of type <U"),
        (np.zeros((30, 30), "datetime64[s]"), 0.1, "z_mm holds values of type datetime64"),
        (_odd(math.inf), 0.1, "a height of the ground grid is infinite; NaN marks a hole"),
        (_odd(1e300), 0.1, r"at z_mm\[3, 4\], 1e\+300 mm, is 1e\+297 m from .* at most 2 m"),
        (_odd(1e9), 0.1, r"1e\+09 mm, is 1e\+06 m from .* at most 2 m is right"),
        (_odd(0.0), 500.0, "along are 500 m apart; 0.001 to 1 m is right"),
        (_odd(0.0), 1e-300, "along are 1e-300 m apart; 0.001 to 1 m is right"),
    ],
)
def test_a_ground_of_other_numbers_or_units_is_refused(
    tmp_path: Path, z: object, step: float, words: str
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(ValueError, match=words):
            load_grid(_saved(tmp_path / "g.npz", z, step))


def test_the_limit_of_a_height() -> None:
    """A long slope: no stretch is steep, the ends lie just within and just beyond the limit."""
    u, v = np.arange(200) * 0.1, np.arange(8) * 0.1
    for share, good in ((0.99, True), (1.01, False)):
        z = np.repeat(np.linspace(-1.0, 1.0, 200)[:, None], 8, axis=1) * MAX_HEIGHT_M * share
        if good:
            assert from_grid(u, v, z).heights().max() <= MAX_HEIGHT_M
        else:
            with pytest.raises(ValueError, match="at most 2 m is right"):
                from_grid(u, v, z)


@pytest.mark.parametrize("axis", [0, 1])
def test_the_limit_of_a_rise(axis: int) -> None:
    u = np.arange(60) * 0.05
    for share, good in ((0.99, True), (1.01, False)):
        step = np.where(np.arange(60) < 30, 0.0, MAX_RISE_M * share)
        z = np.repeat(step[:, None], 60, axis=1)
        z = z if axis == 0 else z.T
        if good:
            from_grid(u, u, z)
        else:
            with pytest.raises(ValueError, match=r"rises by 0.51 m within 1 m; at most 0.5 m"):
                from_grid(u, u, z)


@pytest.mark.parametrize("seed", range(4))
def test_the_steepest_ground_that_is_let_through_can_be_stood_on(seed: int) -> None:
    """Steps of the whole rise, anywhere: the machine's tilt stays a number (asin)."""
    gen = np.random.default_rng(seed)
    z = MAX_RISE_M * gen.integers(0, 2, (60, 60)).astype(float)
    axis = np.arange(60) * 0.3
    rig = SimulatedRig(World(ground=from_grid(axis, axis, z)), seed=seed)
    rig.person.drive(0.5)
    for n in range(1000):
        rig.read(n * 0.01)
    assert math.isfinite(rig.truth().crossfall)


@pytest.mark.skipif(not GRID.exists(), reason="shared data: the Belgian-block grid is not here")
def test_the_measured_grid_loads_with_its_own_roughness() -> None:
    ground = load_grid(GRID)
    raw = np.load(GRID)["z_mm"] / 1000.0
    z = ground.heights()
    assert ground.size_x == pytest.approx(20.0, abs=0.2)
    assert ground.size_y == pytest.approx(6.8, abs=0.15)
    assert np.isfinite(z).all()
    assert z.std() == pytest.approx(np.nanstd(raw), rel=0.1)
    left, right = (
        ground.sample(np.linspace(0, 9, 50), np.full(50, 0.6)),
        ground.sample(np.linspace(0, 9, 50), np.full(50, -0.6)),
    )
    assert np.std(left - right) > 0.002  # y = 0 is no mirror's line
