"""A sample under another device's name is refused, and nothing of it gets further."""

from typing import Any

import pytest
from hand_made import Bench, scene

from drivers.samples import (
    AirSample,
    AnySample,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)
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


def wrong_types(at: float) -> list[Any]:
    """Samples such as a careless driver of one's own might make; nothing checks them before."""
    ok = Validity.OK
    return [
        InertialSample("inertial", None, ok, 0.0, 0.0, 9.8, 0.0, 0.0, 0.0, 20.0),
        InertialSample("inertial", at, ok, None, 0.0, 9.8, 0.0, 0.0, 0.0, 20.0),
        InertialSample("inertial", at, ok, 0.0, "0", 9.8, 0.0, 0.0, 0.0, 20.0),
        MotionSample("motion", at, ok, "5", 1.0),
        AirSample("air", at, ok, "warm"),
        RangePing("bar.left", at, ok, 1.5, ()),
        RangePing("bar.left", at, ok, None, ()),
        RangePing("bar.left", at, ok, 1, None),
        RangePing("bar.left", at, ok, 1, (0.004,)),
    ]


@pytest.mark.parametrize("which", range(len(wrong_types(0.0))))
def test_a_reading_of_another_type_is_dropped_and_told(which: int) -> None:
    bench = Bench(Controller(load_rig(find_rig("reference"))), scene())
    bench.run(1.0)
    now = bench.t + 0.01
    before = bench.controller.step(now, bench.samples()).dropped
    sample = wrong_types(now + 0.004)[which]
    assert bench.controller.step(now + 0.01, [sample]).dropped == before + 1
    assert "another type" in bench.controller.senses.intakes[sample.device].why
