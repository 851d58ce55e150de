"""Inertial sensors: simulated, on the wire, and real ones.

Wiring on hardware: the sensor as the rig file has it, mounted, the machine at rest and its engine
off, within 10 degrees of level. Nobody leans on the blade. No test here moves oil.
"""

from __future__ import annotations

import math
import random
import statistics
from itertools import pairwise

import pytest

from drivers import protocols
from drivers.samples import InertialSample
from hil_tests.bench import TICK_S, Bench
from hil_tests.unplugged import unplug_and_replug

GRAVITY = 9.80665
ZERO_G = 0.06 * GRAVITY  # m/s2: offset and scale of a cheap sensor, together (some 60 mg; memory)
RATE_OFF = 0.05  # of an oscillator, at most (datasheets: some percent)
NOISE_OVER = 1.25  # of 800 readings 1 sigma is known within 2.5 %; filters differ from the ideal


def samples(bench: Bench, seconds: float = 4.0) -> list[InertialSample]:
    found = [s for _, s in bench.listen(seconds) if isinstance(s, InertialSample)]
    assert found, bench.trouble()
    return found


def test_it_is_a_sensor_and_says_which(inertial: Bench) -> None:
    assert isinstance(inertial.device, protocols.InertialSensor)
    inertial.settle()
    if inertial.does.get("fired"):
        assert inertial.identity


def test_samples_come_at_the_stated_rate_in_order(inertial: Bench) -> None:
    inertial.settle()
    inertial.listen(1.0)
    got = inertial.listen(4.0)
    times = [sample.time_s for _, sample in got]
    assert all(a < b for a, b in pairwise(times))
    assert all(now - 1.0 <= s.time_s <= now for now, s in got)
    assert (times[-1] - times[0]) / (len(times) - 1) == pytest.approx(
        inertial.period_s, rel=RATE_OFF
    )


def test_a_samples_time_is_that_of_the_motion(inertial: Bench) -> None:
    made = inertial.need("fired")
    inertial.settle()
    inertial.listen(2.0)
    got = samples(inertial)
    truth = sorted(made(0))
    off = [min(abs(s.time_s - at) for at in truth) for s in got[::7]]
    assert max(off) <= inertial.spread_s


def test_at_rest_it_feels_one_g_up_and_no_rate(inertial: Bench) -> None:
    inertial.settle()
    got = samples(inertial)
    mean = [statistics.fmean(getattr(s, a) for s in got) for a in ("ax", "ay", "az")]
    assert math.hypot(*mean) == pytest.approx(GRAVITY, abs=ZERO_G)
    assert mean[2] > 0.9 * GRAVITY
    for axis in ("gx", "gy", "gz"):
        assert abs(statistics.fmean(getattr(s, axis) for s in got)) < math.radians(5.0)


def test_noise_is_the_datasheets(inertial: Bench) -> None:
    if not inertial.noise:
        pytest.skip(f"{inertial.name}: an engine idles or no noise is stated, so none is judged")
    inertial.settle()
    got = samples(inertial, 6.0)
    for stated, axes in (("accel", ("ax", "ay", "az")), ("gyro", ("gx", "gy", "gz"))):
        seen = statistics.median(statistics.pstdev(getattr(s, a) for s in got) for a in axes)
        assert 0.0 < seen <= NOISE_OVER * inertial.noise[stated]


def test_a_dead_sensor_is_seen_within_three_periods(inertial: Bench) -> None:
    """Of its samples, or of the frames that bring them; and the tick at which it is asked."""
    kill, dead = inertial.need("kill"), inertial.need("dead")
    inertial.settle()
    inertial.listen(1.0)
    assert not dead(inertial.clock())
    kill()
    frame_s = getattr(inertial.device, "period_s", inertial.period_s)
    inertial.listen(3 * frame_s + frame_s + 2 * TICK_S)
    assert dead(inertial.clock())


def test_unplugged_it_gives_nothing_and_comes_back(inertial: Bench) -> None:
    unplug_and_replug("inertial", inertial)
    assert len(samples(inertial, 1.0)) > 0.7 / inertial.period_s
    assert not inertial.trouble() or inertial.trouble() == "None"


def test_bad_bytes_are_counted_and_it_goes_on(inertial: Bench) -> None:
    babble, counts = inertial.need("babble"), inertial.need("counts")
    inertial.settle()
    rng = random.Random(2)
    for _ in range(50):
        babble(rng.randbytes(40))
        inertial.listen(0.02)
    assert sum(c for n, c in counts().items() if n.startswith("bad")) > 0
    inertial.listen(1.0)
    assert samples(inertial)


def test_its_self_test_passes_at_rest(inertial: Bench) -> None:
    begin, verdict = inertial.need("self test"), inertial.need("verdict")
    inertial.settle()
    begin()
    inertial.listen(4.0)
    assert verdict() is not None, inertial.trouble()
    assert verdict().good, verdict().words
    assert samples(inertial)
