"""Way and speed: wheel or track pulses, satellite receiver.

Wiring on hardware: as the rig file names it (docs/valves.md). The machine stands; a person rolls
the wheel by hand as asked at the terminal. No test here moves oil.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from drivers import protocols
from drivers.samples import MotionSample
from hil_tests.bench import TICK_S, Bench
from hil_tests.unplugged import unplug_and_replug

SLOW = 0.4  # m/s


def samples(bench: Bench, seconds: float) -> list[MotionSample]:
    found = [s for _, s in bench.listen(seconds) if isinstance(s, MotionSample)]
    assert found, bench.trouble()
    return found


def test_it_is_a_motion_sensor_in_order_and_at_rest(motion: Bench) -> None:
    assert isinstance(motion.device, protocols.MotionSensor)
    motion.settle()
    got = samples(motion, 4.0)
    assert len(got) >= 0.7 * 4.0 / motion.period_s
    assert all(a.time_s < b.time_s for a, b in pairwise(got))
    speeds = [s.speed_mps for s in got if s.speed_mps is not None]
    assert speeds
    assert abs(sum(speeds) / len(speeds)) < 0.05


def test_speed_and_way_forward_and_back(motion: Bench) -> None:
    roll, way = motion.need("roll"), motion.need("way")
    motion.settle()
    motion.listen(1.0)
    before, began = samples(motion, 0.1)[-1].distance_m, way()
    roll(SLOW)
    motion.listen(3.0)
    seen = [s.speed_mps for s in samples(motion, 1.0)]
    assert sum(seen) / len(seen) == pytest.approx(SLOW, rel=0.1)
    roll(0.0)
    motion.listen(2.0)
    forward = samples(motion, 0.1)[-1].distance_m
    assert forward - before == pytest.approx(way() - began, rel=0.03, abs=0.01)
    roll(-SLOW)
    motion.listen(3.0)
    assert samples(motion, 0.5)[-1].speed_mps < 0.0
    assert samples(motion, 0.1)[-1].distance_m < forward


def test_a_speed_without_a_sign(motion: Bench) -> None:
    if motion.identity != "gnss":
        pytest.skip(f"{motion.name}: for receivers alone; this speed has a sign")
    roll = motion.need("roll")
    motion.settle()
    roll(-SLOW)
    motion.listen(2.0)
    assert samples(motion, 1.0)[-1].speed_mps == pytest.approx(SLOW, abs=0.02)
    assert samples(motion, 1.0)[-1].distance_m is None


def test_a_samples_time_is_that_of_the_motion(motion: Bench) -> None:
    fired = motion.need("fired")
    motion.settle()
    got = samples(motion, 4.0)
    assert max(min(abs(s.time_s - at) for at in fired(0)) for s in got) <= motion.spread_s


def test_a_dead_sensor_is_seen_within_three_periods(motion: Bench) -> None:
    kill, dead = motion.need("kill"), motion.need("dead")
    motion.settle()
    motion.listen(2.0)
    assert not dead(motion.clock())
    kill()
    motion.listen(4 * motion.period_s + 0.2 + 2 * TICK_S)  # what it had measured still comes
    assert dead(motion.clock())


def test_unplugged_it_gives_nothing_and_comes_back(motion: Bench) -> None:
    unplug_and_replug("motion", motion)
    motion.settle()
    assert motion.trouble() in {"", "None"}


def test_bad_bytes_are_counted_and_it_goes_on(motion: Bench) -> None:
    babble, counts = motion.need("babble"), motion.need("counts")
    motion.settle()
    rng = random.Random(4)
    for _ in range(50):
        babble(rng.randbytes(10) + b"$GPRMC,1*00\r\n")
        motion.listen(0.02)
    assert counts().get("checksum", 0) > 0
    motion.listen(3.0)
    assert samples(motion, 2.0)
