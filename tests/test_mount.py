"""Mounting yaw: a blade lifted at rest, seen by a sensor that is turned (scipy's rotations)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from closed_loop import LEFT, rig_of
from scipy.spatial.transform import Rotation

from drivers.samples import DriverSample, InertialSample, MotionSample, Validity
from firmware_py import snapshot
from firmware_py.sense.mount import ENGINE, LEAST_ROLL, ROCKS, SPAN_S, WHITE, YAW_SD, MountYaw
from firmware_py.sense.senses import Senses
from firmware_py.settings import Rig

OK = Validity.OK
G = 9.80665  # m/s2
DT = 0.005  # s
GRADE = math.atan(0.08)  # rad, nose down
ROLL = 0.033  # rad; 60 mm at one end of 1.8 m
LIFT = (5.0, 6.0)  # s; when the hand lifts


def _roll(t: float) -> tuple[float, float]:
    """Roll and its rate: level, then one end lifted evenly within a second."""
    share = min(max((t - LIFT[0]) / (LIFT[1] - LIFT[0]), 0.0), 1.0)
    return ROLL * share, ROLL if 0.0 < share < 1.0 else 0.0


def _samples(
    t: float, yaw: float, *, speed: float, nod: float, bias: float
) -> list[InertialSample | MotionSample | DriverSample]:
    """A blade that stands on the grade; the sensor on it turned left by `yaw`."""
    roll, rolling = _roll(t)
    pose = Rotation.from_euler("ZYX", [0.0, GRADE, roll])
    sensor = Rotation.from_euler("z", yaw)
    force = sensor.inv().apply(pose.inv().apply([0.0, 0.0, G]))
    rates = sensor.inv().apply([rolling, nod if rolling else 0.0, 0.0]) + bias
    x, y, z = (float(value) for value in force)
    p, q, r = (float(value) for value in rates)
    lifting = LIFT[0] - 0.05 < t < LIFT[1]
    return [
        InertialSample("inertial", t, OK, x, y, z, p, q, r, None),
        MotionSample("motion", t, OK, speed, 0.0),
        DriverSample("driver", t, OK, True, lifting, False),
    ]


def _lift(
    yaw: float, *, rig: Rig | None = None, speed: float = 0.0, nod: float = 0.0,
    bias: float = 0.0, seconds: float = 9.0,
) -> Senses:  # fmt: skip
    senses = Senses(rig or rig_of())
    for k in range(1, round(seconds / DT)):
        senses.take(k * DT, _samples(k * DT, yaw, speed=speed, nod=nod, bias=bias))
        senses.may_rest = not senses.hands[LEFT]
    return senses


@pytest.mark.parametrize("degrees", [1.0, -1.0, 0.3])
def test_one_lift_at_rest_shows_the_mounting_yaw(degrees: float) -> None:
    """To the share that the prior of 1 degree leaves open: 0.4 degrees of doubt after 60 mm."""
    senses = _lift(math.radians(degrees), bias=0.003)
    assert math.degrees(senses.mount.yaw) == pytest.approx(degrees, rel=0.25)
    assert math.degrees(math.sqrt(senses.mount.variance)) < 0.5


def test_the_tilt_is_turned_at_once() -> None:
    """1 degree on 8 % looked like 0.14 % of crossfall; most of it is gone with the sighting."""
    blind, seeing = _lift(math.radians(1.0), seconds=4.9), _lift(math.radians(1.0))
    before = math.tan(blind.attitude()[0]) / math.cos(GRADE)
    after = (math.tan(seeing.attitude()[0]) - math.tan(ROLL)) / math.cos(GRADE)
    assert before == pytest.approx(0.0014, abs=1e-4)
    assert abs(after) < 0.3 * abs(before)


def test_a_second_lift_makes_it_surer() -> None:
    mount, true = MountYaw(0.0), math.radians(1.0)
    doubt = [mount.variance]
    for way in (1.0, -1.0, 1.0):
        for _ in range(round(SPAN_S / DT) + 1):
            rates = Rotation.from_euler("z", mount.yaw - true).apply([way * ROLL, 0.0, 0.0])
            mount.update(DT, float(rates[0]), float(rates[1]), 0.0, lifted=True)
        doubt.append(mount.variance)
    assert doubt == sorted(doubt, reverse=True)
    assert mount.yaw == pytest.approx(true, rel=0.1)


def test_what_the_rig_file_states_is_where_it_begins() -> None:
    plain = rig_of().model_dump(mode="json")
    plain["inertial"]["mount_yaw_deg"] = 5.0
    senses = _lift(math.radians(5.0), rig=Rig.model_validate(plain))
    assert math.degrees(senses.mount.yaw) == pytest.approx(5.0, abs=0.05)


def test_a_moving_machine_says_nothing() -> None:
    senses = _lift(math.radians(1.0), speed=0.5)
    assert senses.mount.yaw == 0.0
    assert senses.mount.variance == YAW_SD**2


def test_a_machine_that_is_rocked_is_not_believed() -> None:
    """Somebody steps on it: 2.9 degrees of pitching in that second."""
    assert _lift(math.radians(1.0), nod=0.05).mount.yaw == 0.0


def test_rest_says_nothing() -> None:
    senses = _lift(math.radians(1.0), seconds=4.9)
    assert senses.mount.yaw == 0.0
    assert senses.mount.variance == YAW_SD**2


@pytest.mark.parametrize(("share", "seen"), [(0.95, False), (1.1, True)])
def test_a_lift_of_a_few_millimetres_says_nothing(share: float, seen: bool) -> None:
    mount = MountYaw(0.0)
    for _ in range(round(SPAN_S / DT)):
        mount.update(DT, share * LEAST_ROLL / SPAN_S, -1e-4, 0.0, lifted=True)
    assert (mount.yaw != 0.0) is seen


def test_its_variance_is_that_of_its_error() -> None:
    """Drawn from the stated noises: the squared error over the variance is 1 on average."""
    rng, ratios, bias_sd = np.random.default_rng(4), [], 1e-4
    for _ in range(400):
        true, mount = YAW_SD * rng.standard_normal(), MountYaw(0.0)
        rock = ROCKS * rng.standard_normal() * ROLL + ENGINE * rng.standard_normal()
        drift = bias_sd * rng.standard_normal() + rock / SPAN_S
        for _ in range(round(SPAN_S / DT) + 1):
            noise = WHITE / math.sqrt(DT) * rng.standard_normal() + drift
            mount.update(DT, ROLL * math.cos(true), noise - ROLL * math.sin(true), bias_sd,
                         lifted=True)  # fmt: skip
        ratios.append((mount.yaw - true) ** 2 / mount.variance)
    assert float(np.mean(ratios)) == pytest.approx(1.0, abs=0.2)


def test_a_snapshot_goes_on_bit_for_bit() -> None:
    one, other = MountYaw(0.0), MountYaw(0.1)
    for _ in range(270):
        one.update(DT, 0.03, -0.001, 1e-4, lifted=True)
    snapshot.put(other, snapshot.take(one))
    for mount in (one, other):
        for _ in range(270):
            mount.update(DT, 0.03, -0.001, 1e-4, lifted=True)
    assert other.yaw == one.yaw != 0.0
    assert other.level(1.0, 2.0) == one.level(1.0, 2.0)
