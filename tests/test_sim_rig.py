"""The simulated rig as a whole: protocols, time, determinism, faults."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest

from drivers import protocols
from drivers.samples import (
    AirSample,
    AnySample,
    DriverSample,
    InertialSample,
    MotionSample,
    RangePing,
    ValveCommand,
)
from drivers.simulated.reference import MODEST, REFERENCE, RigTruth, with_bars
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World

BOTH = with_bars(REFERENCE, left=True, right=True)
TWO = World(right=Reference("edge"))


def _run(
    rig: SimulatedRig,
    seconds: float,
    start: float = 100.0,
    step: float = 0.01,
    command: Callable[[float], tuple[float, float]] | None = None,
) -> list[AnySample]:
    """Drive at 0.5 m/s and read on."""
    out: list[AnySample] = list(rig.read(start))
    rig.person.drive(0.5)
    for k in range(1, round(seconds / step) + 1):
        now = start + k * step
        out += rig.read(now)
        if command is not None:
            rig.write(ValveCommand(now, *command(now - start)))
    return out


def _bytes(samples: list[AnySample]) -> bytes:
    return msgspec.msgpack.encode(samples)


def _of(samples: list[AnySample], device: str) -> list[Any]:
    return [s for s in samples if s.device == device]


def _waves(t: float) -> tuple[float, float]:
    return 0.5 * math.sin(t), 0.5 * math.cos(3.0 * t)


def test_same_seed_same_bytes_and_another_differs() -> None:
    a, b, c = (
        _bytes(_run(SimulatedRig(TWO, BOTH, seed), 8.0, command=_waves)) for seed in (4, 4, 5)
    )
    assert a == b
    assert a != c


def test_how_often_it_is_read_changes_nothing() -> None:
    often = _run(SimulatedRig(World(), seed=2), 5.0, step=0.01)
    seldom = _run(SimulatedRig(World(), seed=2), 5.0, step=0.1)
    key = [(s.device, s.time_s) for s in seldom]
    assert sorted(key) == sorted((s.device, s.time_s) for s in often)
    for device in ("bar.left", "inertial", "air", "motion"):
        assert _bytes(_of(often, device)) == _bytes(_of(seldom, device))


def test_a_change_in_one_device_leaves_the_others_noise_alone() -> None:
    bar = replace(REFERENCE.left_bar, noise_m=0.003, dropout=0.2)
    a = _run(SimulatedRig(World(), REFERENCE, 3), 3.0)
    b = _run(SimulatedRig(World(), replace(REFERENCE, left_bar=bar), 3), 3.0)
    assert _bytes(_of(a, "inertial")) == _bytes(_of(b, "inertial"))
    assert _bytes(_of(a, "motion")) == _bytes(_of(b, "motion"))
    assert _bytes(_of(a, "bar.left")) != _bytes(_of(b, "bar.left"))


def test_devices_satisfy_their_protocols() -> None:
    rig: protocols.Rig = SimulatedRig(TWO, BOTH)
    assert isinstance(rig, protocols.Rig)
    assert isinstance(rig, SimulatedRig)
    names = {"bar.left", "bar.right", "inertial", "air", "motion", "driver", "valves"}
    assert set(rig.devices) == names
    assert isinstance(rig.devices["valves"], protocols.Valves)
    assert isinstance(rig.devices["bar.left"], protocols.RangeBar)


def test_one_device_alone_can_be_read() -> None:
    rig = SimulatedRig(World())
    bar = rig.devices["bar.left"]
    assert isinstance(bar, protocols.RangeBar)
    assert list(bar.read(50.0)) == []
    pings = bar.read(51.0)
    assert len(pings) == pytest.approx(122, abs=2)
    assert all(isinstance(p, RangePing) for p in pings)


def test_rates_order_and_latency() -> None:
    rig = SimulatedRig(World())
    samples: list[tuple[float, AnySample]] = [(100.0, s) for s in rig.read(100.0)]
    for k in range(1, 10_001):
        now = 100.0 + 0.001 * k
        samples += [(now, s) for s in rig.read(now)]
    kinds = {InertialSample: 2000, RangePing: 1247, MotionSample: 501, AirSample: 21}
    for kind, count in {**kinds, DriverSample: 501}.items():
        found = [(at, s) for at, s in samples if isinstance(s, kind)]
        assert len(found) == pytest.approx(count, abs=1)
        times = [s.time_s for _, s in found]
        assert times == sorted(times)
        assert all(at >= s.time_s - 1e-9 for at, s in found)
    for at, s in samples:
        if isinstance(s, RangePing) and s.echoes:
            last = s.echoes[-1]
            assert last.time_s == pytest.approx(s.time_s + 0.5 * last.flight_s)
            assert 0.020 - 1e-9 <= at - last.time_s < 0.0211
        if isinstance(s, InertialSample):
            assert at - s.time_s < 0.0031
    elements = [s.element for _, s in samples if isinstance(s, RangePing)]
    assert elements[:6] == [0, 1, 2, 3, 4, 0]


def test_the_modest_rig_gives_seven_frames_a_second_and_one_echo() -> None:
    pings = _of(_run(SimulatedRig(World(), MODEST), 10.0), "bar.left")
    assert len(pings) == pytest.approx(350, abs=3)
    assert max(len(p.echoes) for p in pings) == 1


def test_stands_still_on_its_target_until_driven() -> None:
    rig = SimulatedRig(World(), seed=9)
    for k in range(300):
        rig.read(7.0 + 0.01 * k)
    truth = rig.truth()
    assert truth.speed_mps == 0.0
    assert abs(truth.left_error_m) < 2e-5
    assert abs(truth.right_error_m) < 2e-5
    assert truth.left_bar is not None
    assert abs(truth.left_bar.lateral_m) < 0.02
    assert truth.time_s == pytest.approx(9.99)


def test_a_command_lifts_the_end_and_the_lease_ends_it() -> None:
    rig = SimulatedRig(World(ground="flat"), seed=1)
    rig.read(0.0)
    before = rig.truth().left_lift_m
    rig.write(ValveCommand(0.0, 1.0, 0.0))
    for k in range(1, 100):
        rig.read(0.01 * k)
    truth = rig.truth()
    assert truth.left_lift_m - before == pytest.approx(0.090 * 0.2 * 1.25, rel=0.02)
    assert truth.left_oil == 0
    assert truth.right_error_m == pytest.approx(-0.090 * 0.2 * 0.25, rel=0.05)


def test_reversing_goes_back_and_leaves_the_graded_ground() -> None:
    rig = SimulatedRig(World(), seed=1)
    _run(rig, 6.0, start=0.0)
    ahead = rig.truth()
    rig.person.drive(-0.3)
    for k in range(1, 1001):
        rig.read(6.0 + 0.01 * k)
    back = rig.truth()
    assert back.speed_mps == pytest.approx(-0.3, rel=0.1)
    assert back.chainage_m < ahead.chainage_m - 1.5
    assert back.travelled_m == pytest.approx(back.chainage_m - 3.0, abs=0.01)


def test_clusters_spread_over_the_planned_run() -> None:
    assert World().run_s() == pytest.approx(77.0 / 0.5)
    assert World(run_m=65.0, speed_mps=1.0).run_s() == pytest.approx(65.0)


def test_bad_commands_are_neutral_or_full() -> None:
    rig = SimulatedRig(World(ground="flat"))
    rig.read(0.0)
    for k in range(1, 60):
        rig.write(ValveCommand(0.01 * k, math.nan, -math.inf))
        rig.read(0.01 * k)
    assert (rig.truth().left_oil, rig.truth().right_oil) == (0, 0)
    rig.close()


def test_the_hand_shows_and_wins() -> None:
    rig = SimulatedRig(World(ground="flat"))
    rig.person.hand("right", 1.0)
    rig.person.enable(True)
    samples = _run(rig, 1.0, command=lambda _: (0.0, -1.0))
    last = _of(samples, "driver")[-1]
    assert (last.enable, last.left_hand, last.right_hand) == (True, False, True)
    assert rig.truth().right_oil == 1


def test_gyro_integrates_to_the_attitude() -> None:
    """Without noise, the sum of the rates is the change of pitch and roll (small angles)."""
    still = replace(
        REFERENCE.inertial, accel_bias=0.0, gyro_bias=0.0, gyro_density=0.0, accel_density=0.0,
        gyro_walk=0.0, gyro_per_k=0.0, engine_gyro_rms=0.0, broad_gyro=0.0, yaw_rad=0.0,
    )  # fmt: skip
    rig = SimulatedRig(World(), replace(REFERENCE, inertial=still), seed=3)
    rig.read(0.0)
    start = rig.truth()
    samples = _of(_run(rig, 10.0, start=0.0), "inertial")
    end = rig.truth()
    roll, pitch = (sum(getattr(s, g) for s in samples) / 200.0 for g in ("gx", "gy"))
    assert roll == pytest.approx(end.roll_rad - start.roll_rad, abs=3e-4)
    assert pitch == pytest.approx(end.pitch_rad - start.pitch_rad, abs=3e-4)


def _flights(pings: list[RangePing], element: int) -> np.ndarray:
    return np.array([p.echoes[0].flight_s for p in pings if p.element == element and p.echoes])


def _faulty(kind: str, device: str, rig_truth: RigTruth = REFERENCE, **values: Any) -> Any:
    """A run of 3 s with the fault from 1 s to 2 s; samples of the device, and the rig."""
    world = World(left=Reference(spill=False, pins=False), ground="flat")
    rig = SimulatedRig(world, rig_truth, seed=1)
    rig.inject(kind, device, 1.0, 2.0, **values)
    samples = _run(rig, 3.0)
    return _of(samples, device), rig


def _during(samples: list[Any]) -> list[Any]:
    return [s for s in samples if 101.02 <= s.time_s < 101.98]


@pytest.mark.parametrize("device", ["bar.left", "inertial", "motion", "air", "driver"])
def test_unplugged_devices_say_nothing_and_come_back(device: str) -> None:
    samples, _ = _faulty("unplug", device)
    assert _during(samples) == []
    assert any(s.time_s > 102.0 for s in samples)


def test_frozen_values_repeat_with_new_times() -> None:
    inertial = _during(_faulty("freeze", "inertial")[0])
    assert len({s.az for s in inertial}) == 1
    assert len({s.time_s for s in inertial}) == len(inertial) > 100
    pings = _during(_faulty("freeze", "bar.left")[0])
    assert len(set(_flights(pings, 2).tolist())) <= 1


def test_stuck_time_nan_and_jump() -> None:
    stuck = [s for s in _faulty("stuck_time", "motion")[0] if s.time_s < 101.99]
    assert len({s.time_s for s in stuck}) == 51
    assert len(stuck) > 90
    assert all(math.isnan(s.gx) for s in _during(_faulty("nan", "inertial")[0]))
    jumped = _during(_faulty("jump", "bar.left", by=0.03)[0])
    assert 0.5 * 343.2 * np.median(_flights(jumped, 2)) == pytest.approx(0.63, abs=0.006)


def test_block_and_lost_reference() -> None:
    blocked = _during(_faulty("block", "bar.left", at=0.3)[0])
    assert 0.5 * 343.2 * np.median(_flights(blocked, 2)) == pytest.approx(0.3, abs=0.004)
    gone, rig = _faulty("reference_gone", "bar.left")
    assert 0.5 * 343.2 * np.median(_flights(_during(gone), 2)) == pytest.approx(0.73, abs=0.008)
    assert rig.truth().left_bar.in_view


def test_valve_faults() -> None:
    rig = SimulatedRig(World(ground="flat"), seed=1)
    rig.inject("valve_runaway", "valves", 1.0, 2.0, end="left", rate=0.02)
    rig.inject("valve_shut", "valves", 0.0, 3.5, end="right")
    before = rig.truth()
    _run(rig, 3.0, command=lambda _: (0.0, 1.0))
    after = rig.truth()
    assert after.left_lift_m - before.left_lift_m == pytest.approx(0.02 * 1.25, rel=0.02)
    assert after.right_oil == 0
    rig.inject("unplug", "valves", 3.6, 9.0)
    rig.read(103.7)
    rig.write(ValveCommand(103.7, 1.0, 1.0))
    rig.read(103.9)
    assert rig.truth().left_oil == 0


def test_faults_and_worlds_that_do_not_exist_are_refused() -> None:
    rig = SimulatedRig(World())
    with pytest.raises(ValueError, match="no device"):
        rig.inject("unplug", "bar.middle", 0.0, 1.0)
    with pytest.raises(ValueError, match="no fault"):
        rig.inject("block", "air", 0.0, 1.0)
    with pytest.raises(ValueError, match="colour"):
        World.of(colour="red")
    with pytest.raises(ValueError, match="kind"):
        Reference("rope")
    with pytest.raises(ValueError, match="direction"):
        World(direction="up")
    with pytest.raises(ValueError, match="ground"):
        World(ground="Z")
    with pytest.raises(ValueError, match="right reference"):
        SimulatedRig(World(), BOTH)


def test_edge_and_strip_clearance_is_the_same_600_mm() -> None:
    for ref, turned in ((Reference("edge"), False), (Reference("strip", stones=False), True)):
        rig_truth = with_bars(REFERENCE, left=True, right=False, turned=turned)
        rig = SimulatedRig(World(left=ref, ground="flat"), rig_truth, seed=2)
        pings = [s for k in range(300) for s in rig.read(0.01 * k) if isinstance(s, RangePing)]
        view = rig.truth().left_bar
        assert view is not None
        assert view.clearance_m == pytest.approx(0.6, abs=1e-3)
        assert 0.5 * 342 * np.median(_flights(pings, 2)) == pytest.approx(0.6, abs=0.006)
