"""Soil that stays as the blade leaves it: nothing is lost, hollows are filled, the box runs out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.dig import CUT_FULL_M, SLOWEST, Dig, Worked, diggable
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.surface import Surface, flat
from drivers.simulated.world import Reference, World

WIDTH, STEP = 1.8, 0.01


def ground_of(z: np.ndarray) -> Worked:
    return Worked(Surface(z, 0.0625))


def level(height: float) -> Worked:
    return ground_of(np.full((128, 64), height))


def drive(dig: Dig, first: float, last: float, edge: float | tuple[float, float]) -> None:
    """Along x, the blade across y about 2 m."""
    ends = (edge, edge) if isinstance(edge, float) else edge
    for x in np.arange(first, last, STEP).tolist():
        dig.pass_over(((x, 2.9), (x, 1.1)), ends, STEP, 0.02)


def volume(ground: Worked) -> float:
    """Independent of the blade's own sums: the grid's whole volume, m3."""
    return float(ground.heights().sum()) * ground.dx * ground.dy


def test_a_cut_by_hand() -> None:
    """50 mm off 1.8 m by 2 m is 0.18 m3; the box holds 0.1, the rest is spilt."""
    ground = level(0.08)
    dig = Dig(ground, 0.0, WIDTH, 0.1)
    drive(dig, 1.0, 3.0, 0.03)
    assert dig.cut_m3 == pytest.approx(0.18, rel=0.05)  # whole cells of 62 mm
    assert dig.carried_m3 == pytest.approx(0.1)
    assert dig.spilt_m3 == pytest.approx(dig.cut_m3 - 0.1)
    assert dig.graded == (0.03, 0.03, 0.03)
    drive(dig, 1.0, 3.0, 0.03)  # nothing is left to cut there
    assert dig.cut_m3 == pytest.approx(0.18, rel=0.05)


def test_hollows_are_filled_until_the_box_has_run_out() -> None:
    ground = level(-0.02)
    dig = Dig(ground, 0.0, WIDTH, 0.25)
    dig.carried_m3 = 0.05  # fills 1.39 m of it
    drive(dig, 1.0, 4.0, 0.0)
    assert dig.carried_m3 == 0.0
    assert dig.filled_m3 == pytest.approx(0.05)
    profile = ground.heights()[:, 32]
    filled = np.flatnonzero(profile > -0.001) * 0.0625
    assert filled[0] == pytest.approx(1.0, abs=0.07)
    assert filled[-1] == pytest.approx(1.0 + 0.05 / 0.02 / WIDTH, abs=0.2)
    assert dig.graded == pytest.approx((-0.02,) * 3)


@settings(max_examples=12, deadline=None)
@given(
    st.integers(0, 1000),
    st.lists(st.tuples(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05)), min_size=1, max_size=4),
    st.floats(0.0, 0.3),
)
def test_whatever_the_blade_does_no_soil_is_lost(
    seed: int, edges: list[tuple[float, float]], capacity: float
) -> None:
    ground = ground_of(np.random.default_rng(seed).normal(0.0, 0.03, (128, 64)))
    before = volume(ground)
    dig = Dig(ground, 0.0, WIDTH, capacity)
    for edge in edges:
        drive(dig, 1.0, 1.4, edge)
    gone = before - volume(ground)
    assert gone == pytest.approx(dig.carried_m3 + dig.spilt_m3, abs=1e-12)
    assert dig.cut_m3 == pytest.approx(dig.filled_m3 + dig.carried_m3 + dig.spilt_m3, abs=1e-12)
    assert 0.0 <= dig.carried_m3 <= capacity


def test_reversing_leaves_what_is_there() -> None:
    ground = level(0.05)
    dig = Dig(ground, 0.0, WIDTH, 0.2)
    dig.pass_over(((2.0, 2.9), (2.0, 1.1)), (0.0, 0.0), -STEP, 0.02)
    assert dig.cut_m3 == 0.0
    assert volume(ground) == pytest.approx(0.05 * 8.0 * 4.0)


def test_deeper_than_the_tracks_can_pull_is_slow() -> None:
    dig = Dig(level(CUT_FULL_M * 1.5), 0.0, WIDTH, 0.2)
    drive(dig, 1.0, 3.0, 0.0)
    assert SLOWEST <= dig.pace < 0.3
    shallow = Dig(level(0.02), 0.0, WIDTH, 0.2)
    drive(shallow, 1.0, 3.0, 0.0)
    assert shallow.pace == 1.0


def test_past_each_edge_the_grid_repeats_what_was_cut() -> None:
    """Both ways of sampling see the same, the window's made before the cut."""
    ground = level(0.05)
    window = ground.about(2.6, 3)
    x, y = np.meshgrid(np.arange(-2.0, 10.0, 0.0625), np.arange(-2.0, 6.0, 0.0625))
    cells = ground.cells(np.array([0.5, 7.9, 4.0]), np.array([0.1, 3.9, 0.0]))
    ground.put(cells, np.array([0.01, 0.02, 0.03]))
    assert ground.at(cells).tolist() == [0.01, 0.02, 0.03]
    fresh = Surface(ground.heights(), 0.0625)
    assert ground.sample(x, y) == pytest.approx(fresh.sample(x, y), abs=1e-7)
    assert ground.sample(np.array([0.5]), np.array([0.125]))[0] == pytest.approx(0.01)
    at = np.array([[0.5, 7.9, 4.0], [0.1, 3.9, 0.0]])
    corner = np.array([window.corner(0.0, 0.0)]).T
    about = window.heights(at / 0.0625 - corner)
    assert about == pytest.approx(ground.sample(*at), abs=1e-12)
    assert about.max() < 0.05


def test_the_corner_is_four_places() -> None:
    ground = level(0.05)
    ground.put(np.array([0]), np.array([0.01]))
    here = ground.sample(np.array([0.0, 8.0, 0.0, 8.0]), np.array([0.0, 0.0, 4.0, 4.0]))
    assert here == pytest.approx([0.01] * 4)


def test_the_tracks_stand_on_what_the_blade_has_cut() -> None:
    """In a cut of 40 mm the whole machine is 40 mm lower, its blade 110 mm above the tracks."""
    world = World(ground="flat", ground_mean_m=0.04, soil=True, crossfall=0.0, start_above_m=0.15,
                  left=Reference(height_m=0.3, spill=False))  # fmt: skip
    sim = SimulatedRig(world, REFERENCE)
    sim.person.drive(0.4)
    sim.read(0.0)
    ground = sim._machine._ground
    assert isinstance(ground, Worked)
    x, y = np.meshgrid(np.arange(2.9, 8.0, 0.05), np.arange(-1.3, 1.3, 0.05))
    cells = np.unique(ground.cells(x.ravel(), y.ravel()))
    ground.put(cells, np.full(cells.size, -0.04))
    sim.read(9.0)
    truth = sim.truth()
    assert 5.5 < truth.chainage_m < 7.5
    assert truth.left_error_m == pytest.approx(0.11, abs=1e-3)
    assert truth.soil is not None
    assert truth.soil.cut_m3 == 0.0
    assert truth.pitch_rad == pytest.approx(0.0, abs=1e-3)


def test_a_copy_is_dug_and_the_ground_of_other_trials_is_not() -> None:
    raw = Surface(np.full((8, 8), 0.05), 0.0625)
    Worked(raw).put(np.array([3]), np.array([0.0]))
    assert raw.heights() == pytest.approx(np.full((8, 8), 0.05))
    assert diggable(flat(), flat=True).dx == 0.0625


def test_a_path_that_meets_itself_is_refused() -> None:
    with pytest.raises(ValueError, match="meets itself on ground that repeats after 128 m"):
        SimulatedRig(World(segments=((130.0, 0.0),), soil=True, ground="flat"))


def test_the_machine_goes_slower_in_too_deep_a_cut_and_backs_along_the_strip() -> None:
    world = World(ground="flat", ground_mean_m=0.15, soil=True,
                  left=Reference(height_m=0.3, spill=False))  # fmt: skip
    sim = SimulatedRig(world, REFERENCE)
    sim.person.drive(0.5)
    sim.read(0.0)
    sim.read(6.0)
    truth = sim.truth()
    assert truth.soil is not None
    assert truth.soil.cut_m3 > 0.1
    assert truth.speed_mps < 0.3
    sim.person.backs_by_eye = True
    sim.person.drive(-0.5)
    sim.read(10.0)
    assert sim.truth().speed_mps < -0.4
    assert abs(sim.truth().yaw_rad) < 0.05
