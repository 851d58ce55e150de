"""A sample under another device's name is refused, and nothing of it gets further."""

import pytest
from hand_made import Bench, scene

from drivers.samples import AnySample, InertialSample, MotionSample, Validity
from firmware_py.controller import Controller
from firmware_py.settings_file import find_rig, load_rig


def inertial(device: str, now: float) -> AnySample:
    return InertialSample(device, now, Validity.OK, 0.0, 0.0, 9.8, 0.0, 0.0, 0.0, 20.0)


@pytest.mark.parametrize("device", ["motion", "air", "driver", "bar.left"])
def test_an_inertial_sample_of_another_device_is_dropped(device: str) -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    now = bench.t
    before = bench.controller.step(now, bench.samples()).dropped
    tick = bench.controller.step(now + 0.01, [inertial(device, now + 0.005)])
    assert tick.dropped == before + 1


def test_a_speed_under_the_inertial_sensors_name_is_dropped() -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    now = bench.t
    bench.controller.step(now, bench.samples())
    wrong = MotionSample("inertial", now + 0.005, Validity.OK, 5.0, 1.0)
    assert bench.controller.step(now + 0.01, [wrong]).speed_mps != 5.0
