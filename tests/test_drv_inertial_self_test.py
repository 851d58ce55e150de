"""The chips' self-tests: sound, damaged, moved and unplugged."""

from __future__ import annotations

import math

import pytest
from drv_inertial_bench import ADDRESS, KINDS, Bench, shaken

from drivers.inertial.model import GRAVITY
from drivers.standins.inertial_chips import (
    at_rest,
)


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_chip_passes_its_self_test_and_goes_on(kind: str) -> None:
    motion = shaken if kind == "bno055" else at_rest
    bench = Bench(kind, motion)
    bench.run(1.5)
    bench.driver.self_test()
    assert bench.run(0.3) == []
    bench.run(4.0)
    verdict = bench.driver.verdict
    assert verdict is not None
    assert verdict.words == ()
    assert verdict.good
    after = bench.run(1.0)
    assert len(after) > 50
    assert bench.driver.trouble is None


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("mpu6050", "accelerometer x answers its self-test -30 % off the factory trim; 14 % is"),
        ("lsm6dso", "accelerometer x changes by 28 mg in its self-test; 50 to 1700 are"),
    ],
)
def test_a_damaged_chip_fails_its_self_test(kind: str, words: str) -> None:
    """Limits: product specification of the MPU-6050; DS12140 rev 2, table 2."""
    bench = Bench(kind, at_rest)
    bench.chip.weak = 0.7 if kind == "mpu6050" else 0.07  # type: ignore[attr-defined]
    bench.run(1.0)
    bench.driver.self_test()
    bench.run(4.0)
    verdict = bench.driver.verdict
    assert verdict is not None
    assert not verdict.good
    assert words in verdict.words[0]


def test_the_bno055_tells_what_its_own_test_found() -> None:
    bench = Bench("bno055")
    bench.chip.defaults = {**bench.chip.defaults, 0x36: 0x0B}  # type: ignore[misc]
    bench.run(1.0)
    bench.driver.self_test()
    bench.run(4.0)
    assert bench.driver.verdict is not None
    assert bench.driver.verdict.words == (
        "the gyro failed the chip's own test; replace the sensor",
    )


def test_a_self_test_on_a_moving_blade_does_not_count() -> None:
    bench = Bench("lsm6dso", lambda t: (0, 0, GRAVITY, 0.5 * math.sin(9 * t), 0, 0))
    bench.run(1.0)
    bench.driver.self_test()
    bench.run(4.0)
    assert bench.driver.verdict is not None
    assert "not still" in bench.driver.verdict.words[0]


def test_a_chip_that_goes_during_its_self_test_has_failed() -> None:
    bench = Bench("mpu6050", at_rest)
    bench.run(1.0)
    bench.driver.self_test()
    bench.run(0.3)
    bench.bus.detach(ADDRESS)
    bench.run(0.2)
    assert bench.driver.verdict is not None
    assert not bench.driver.verdict.good
    assert "does not answer" in bench.driver.verdict.words[0]
