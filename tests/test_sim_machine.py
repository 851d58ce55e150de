"""The simulated machine's geometry, signs and soil, by hand-made numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.samples import AnySample, InertialSample, RangePing
from drivers.simulated.machine import Machine, contact_points, contact_weights
from drivers.simulated.reference import REFERENCE, G, with_bars
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.soil import Box
from drivers.simulated.surface import Surface, flat
from drivers.simulated.world import Reference, World

SOUND_17C = 331.3 * math.sqrt(1.0 + 17.0 / 273.15)  # the rig's air at the start
BOTH = with_bars(REFERENCE, left=True, right=True)


def _machine(ground: Surface, world: World) -> Machine:
    return Machine(REFERENCE, world.design(), ground, 0.0, world.sign)


def test_pitch_lifts_the_blade_by_its_distance_ahead() -> None:
    """Raw ground rising 1 % forward over a level design: 12 mm up at 1.2 m ahead of the tracks."""
    x = np.arange(800) * 0.1
    ramp = Surface(np.repeat(0.01 * (x - 40.0)[:, None], 8, axis=1), 0.1)
    machine = _machine(ramp, World(crossfall=0.0))
    machine.stand(0.0, 41.2, 0.0)  # track centre at 40 m, where the ramp crosses the design
    lifts = machine.map.ends(*machine.valves.lift)
    assert lifts == pytest.approx((-0.012, -0.012), abs=1e-6)
    assert machine.pose.pitch == pytest.approx(-math.atan(0.01), abs=1e-6)  # nose up
    assert machine.errors() == pytest.approx((0.0, 0.0), abs=1e-9)


def test_ground_higher_on_the_left_raises_the_left_end() -> None:
    """Left track 12 mm up on a gauge of 1.2 m is 1 %: the ends move by +-9 mm about +6 mm."""
    y = (np.arange(160) - 80) * 0.1
    step = Surface(np.roll(np.repeat(np.where(y > 0.0, 0.012, 0.0)[None], 8, axis=0), 80, 1), 0.1)
    machine = _machine(step, World(crossfall=0.0))
    machine.stand(0.0, 10.0, 0.0)
    lifts = machine.map.ends(*machine.valves.lift)
    assert machine.body_roll == pytest.approx(0.01)
    assert lifts == pytest.approx((-0.015, 0.003), abs=1e-6)


def test_track_line_is_the_least_squares_line() -> None:
    """Against numpy's polyfit of the same points."""
    points, weights = contact_points(REFERENCE), contact_weights(REFERENCE.tracks)
    z = np.random.default_rng(0).standard_normal(points.shape[1])
    n = (points.shape[1] - 3) // 2
    slope, mean = np.polyfit(points[0, n : 2 * n], z[n : 2 * n], 1)
    assert (weights @ z)[2:4] == pytest.approx([mean, slope])
    assert points[1, 0] > 0.0 > points[1, n]  # left first
    assert (weights @ z)[4:] == pytest.approx(z[-3:])


@pytest.mark.parametrize("direction", ["with", "against"])
def test_signs_standing_on_a_flat_world(direction: str) -> None:
    """Grade 3 %, crossfall 2 % (chainage terms): each sign as the driver sees it."""
    world = World.of(
        grade=0.03, crossfall=0.02, direction=direction, ground="flat", start_lateral_m=0.0,
        left={"spill": False}, right={"spill": False},
    )  # fmt: skip
    rig = SimulatedRig(world, BOTH)
    samples = rig.read(100.0)
    truth = rig.truth()
    sign = 1.0 if direction == "with" else -1.0
    assert truth.crossfall == pytest.approx(sign * 0.02, abs=2e-5)
    assert truth.crossfall_target == pytest.approx(sign * 0.02)
    assert truth.roll_rad == pytest.approx(sign * 0.02, rel=1e-3)
    assert truth.pitch_rad == pytest.approx(-sign * math.atan(0.03), rel=1e-3)  # uphill: nose up
    assert truth.left_error_m == pytest.approx(0.0, abs=1e-5)
    assert truth.yaw_rad == pytest.approx(0.0)
    assert truth.chainage_m == pytest.approx(3.0 if direction == "with" else 77.0)
    assert not [s for s in samples if isinstance(s, RangePing)]  # 20 ms late at least
    inertial = _mean_inertial(rig)
    # nose up feels forward, left up feels left (mounting yaw of 1 degree turned back)
    c, s = math.cos(math.radians(1.0)), math.sin(math.radians(1.0))
    fx, fy = c * inertial[0] - s * inertial[1], s * inertial[0] + c * inertial[1]
    assert fx == pytest.approx(sign * 0.03 * G, abs=0.03)
    assert fy == pytest.approx(sign * 0.02 * G, abs=0.03)
    assert inertial[2] == pytest.approx(G, abs=0.03)


def _mean_inertial(rig: SimulatedRig) -> np.ndarray:
    rows = [
        (s.ax, s.ay, s.az)
        for k in range(1, 801)
        for s in rig.read(100.0 + 0.01 * k)
        if isinstance(s, InertialSample)
    ]
    return np.asarray(np.mean(rows, axis=0))


def _ranges(samples: list[AnySample], device: str, element: int) -> float:
    found = [
        0.5 * SOUND_17C * s.echoes[0].flight_s
        for s in samples
        if isinstance(s, RangePing) and s.device == device and s.element == element and s.echoes
    ]
    return float(np.median(found))


@pytest.mark.parametrize("direction", ["with", "against"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_lateral_sign_in_all_four_combinations(direction: str, side: str) -> None:
    """The machine 75 mm too far right of its line: the reference lies 75 mm to the left.

    Then the element left of the middle (index 3) stands straight over the string and reads
    least; its neighbours read sqrt(c^2 + 0.075^2).
    """
    world = World.of(
        crossfall=0.0, direction=direction, ground="flat", start_lateral_m=0.0,
        left={"spill": False, "pins": False}, right={"spill": False, "pins": False},
    )  # fmt: skip
    rig = SimulatedRig(world, BOTH)
    rig._machine.stand(0.0, 33.0, -0.075)  # between two pins
    samples = [s for k in range(200) for s in rig.read(0.01 * k)]
    view = rig.truth().left_bar if side == "left" else rig.truth().right_bar
    assert view is not None
    assert view.in_view
    assert view.lateral_m == pytest.approx(0.075, abs=1e-4)
    assert view.clearance_m == pytest.approx(0.6009, abs=5e-4)  # the sag of 6 m
    least = _ranges(samples, f"bar.{side}", 3)
    assert least == pytest.approx(0.601, abs=0.004)
    for element in (2, 4):
        slant = math.hypot(0.601, 0.075)
        assert _ranges(samples, f"bar.{side}", element) == pytest.approx(slant, abs=0.003)
    ground = 0.73  # 150 mm off is 14 degrees, outside the beam: the ground 130 mm lower answers
    assert _ranges(samples, f"bar.{side}", 1) == pytest.approx(ground, abs=0.006)


def test_left_up_is_crossfall_up_and_bar_up() -> None:
    """Left end +18 mm: crossfall +1 %; left bar, 0.3 m outside, +21 mm; right bar -3 mm."""
    world = World(crossfall=0.0, ground="flat", right=Reference())
    rig = SimulatedRig(world, BOTH)
    machine = rig._machine
    machine.valves.lift = list(machine.map.cylinders(-0.02 + 0.018, -0.02))
    machine._settle(0.0, 3.0)
    truth = rig.truth()
    assert truth.left_error_m == pytest.approx(0.018, abs=1e-9)
    assert truth.right_error_m == pytest.approx(0.0, abs=1e-9)
    assert truth.crossfall == pytest.approx(0.01, rel=1e-3)
    assert truth.left_bar is not None
    assert truth.right_bar is not None
    low = 0.0009  # sag halfway between pins
    assert truth.left_bar.clearance_m == pytest.approx(0.6 + 0.021 + low, abs=6e-4)
    assert truth.right_bar.clearance_m == pytest.approx(0.6 - 0.003 + low, abs=6e-4)
    assert truth.left_string_error_m == pytest.approx(0.018 + 0.0009, abs=1e-5)


def test_crab_on_a_grade_leans_the_blade_but_not_the_crossfall() -> None:
    """design.md: 5 degrees of yaw on 5 % is 0.44 % along the blade; square to chainage none.

    Turned left while climbing, the left end stands back and so lower: roll < 0.
    """
    world = World(crossfall=0.0, grade=0.05, ground="flat")
    rig = SimulatedRig(world)
    machine = rig._machine
    machine.psi = math.radians(5.0)
    machine._settle(0.0, 3.0)
    left, right = machine.errors()
    machine.valves.lift = [
        a - b for a, b in zip(machine.valves.lift, machine.map.cylinders(left, right), strict=True)
    ]
    machine._settle(0.0, 3.0)
    truth = rig.truth()
    assert truth.crossfall == pytest.approx(0.0, abs=1e-6)
    assert truth.roll_rad == pytest.approx(-0.0044, abs=0.0001)
    assert math.degrees(truth.yaw_rad) == pytest.approx(5.0)


def test_flat_ground_needs_nothing() -> None:
    machine = _machine(flat(), World(crossfall=0.02, grade=0.08))
    machine.stand(0.0, 10.0, 0.0)
    assert machine.map.ends(*machine.valves.lift) == pytest.approx((0.0, 0.0), abs=1e-4)


def test_soil_is_cut_carried_filled_and_runs_out() -> None:
    """By hand: 1.8 m blade, 0.1 m of travel, 30 mm cut over all = 5.4 litres; 20 mm fill 3.6."""
    box = Box(1.8, 0.25)
    level, cut, hollow = (0.0,) * 3, (0.03,) * 3, (-0.02,) * 3
    box.pass_over(cut, level, 0.1)
    assert box.carried_m3 == pytest.approx(0.0054)
    assert box.graded == (0.0, 0.0, 0.0)
    box.pass_over(hollow, level, 0.1)
    assert box.carried_m3 == pytest.approx(0.0018)
    assert box.graded == (0.0, 0.0, 0.0)
    box.pass_over(hollow, level, 0.1)
    assert box.carried_m3 == pytest.approx(0.0)
    assert box.graded == pytest.approx((-0.01,) * 3)
    box.pass_over(cut, level, -0.1)
    assert box.carried_m3 == pytest.approx(0.0)
    box.pass_over((5.0,) * 3, level, 0.1)
    assert box.carried_m3 == 0.25
    assert box.spilt_m3 == pytest.approx(0.9 - 0.25)
