"""Times of inertial samples: motion against its sample, overflow, backlog, oscillators off."""

from __future__ import annotations

import itertools
import math

import pytest
from drv_inertial_bench import KINDS, WITH_FIFO, Bench

from drivers.inertial.model import GRAVITY
from drivers.inertial.timing import ChipClock


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


@pytest.mark.parametrize("kind", WITH_FIFO)
def test_an_overflow_is_counted_and_the_run_begun_anew(kind: str) -> None:
    bench = Bench(kind)
    before = bench.run(2.0)
    runs = bench.driver.run
    bench.now += 1.6  # the loop was away; the FIFO holds 0.37 s and 1.2 s
    assert bench.driver.read(bench.now) == []
    assert bench.driver.counts["overflow"] == 1
    assert bench.chip.lost > 0
    after = bench.run(2.0)
    assert bench.driver.run == runs + 1
    assert after[0].time_s > before[-1].time_s + 1.5
    assert all(abs(s.az - GRAVITY) < 0.5 for s in after)


@pytest.mark.parametrize("kind", WITH_FIFO)
def test_a_backlog_is_read_without_loss(kind: str) -> None:
    """A stall of 0.3 s: the FIFO has it all, and it comes with its own times, 8 a read."""
    bench = Bench(kind)
    samples = bench.run(3.0)
    bench.now += 0.3
    samples += bench.driver.read(bench.now)
    assert len(samples) > 0
    samples += bench.run(1.0)
    gaps = [b.time_s - a.time_s for a, b in itertools.pairwise(samples[400:])]
    period = bench.driver.model.period_s
    assert max(gaps) < 2.0 * period
    assert min(gaps) > 0.0
    assert bench.driver.counts["overflow"] == 0


# What a rate of the z gyro says of time: it grows by 0.25 rad/s each second.
def ramp(t: float) -> tuple[float, float, float, float, float, float]:
    return (0.1, 0.2, 9.8, 0.01, 0.02, (t - 15.0) * 0.25)


def time_errors(bench: Bench, seconds: float, settle_s: float) -> list[float]:
    samples = bench.run(seconds, jitter_s=0.3e-3)
    times = [s.time_s for s in samples]
    assert all(a < b for a, b in itertools.pairwise(times))
    return [s.time_s - (s.gz / 0.25 + 15.0) for s in samples if s.time_s > settle_s]


@pytest.mark.parametrize("rate_error", [-0.08, -0.02, 0.003, 0.08])
@pytest.mark.parametrize("kind", WITH_FIFO)
def test_a_samples_time_is_that_of_the_motion(kind: str, rate_error: float) -> None:
    """Within 1 ms rms, 2 ms at most, with an oscillator up to 8 % off and a tick that jitters.

    The instant is read off the motion itself, by the stand-in's own filter delay.
    """
    bench = Bench(kind, ramp, rate_error)
    errors = time_errors(bench, 20.0, settle_s=3.0)
    assert len(errors) > 2500
    rms = math.sqrt(sum(e * e for e in errors) / len(errors))
    assert rms < 1e-3
    assert max(map(abs, errors)) < 2e-3
    nominal = 1.0 / bench.driver.model.period_s
    assert 1.0 / bench.driver.clock.period_s == pytest.approx(nominal * (1 + rate_error), rel=1e-3)


@pytest.mark.parametrize("rate_error", [-0.08, 0.0, 0.08])
def test_times_are_never_further_off_than_stated(kind: str, rate_error: float) -> None:
    """From the first sample on, also while the period is still being found."""
    bench = Bench(kind, ramp, rate_error)
    errors = time_errors(bench, 6.0, settle_s=0.0)
    assert max(map(abs, errors)) <= bench.driver.spread_s + 0.5e-3  # and the tick's own jitter


def test_a_rate_that_no_oscillator_explains_is_told() -> None:
    bench = Bench("mpu6050", rate_error=0.25)
    bench.run(5.0)
    assert "samples come at 250 Hz and not at 200 Hz" in str(bench.driver.trouble)


def test_the_clock_refuses_an_absurd_period() -> None:
    with pytest.raises(ValueError, match="no sampling period"):
        ChipClock(0.0)
    assert ChipClock(0.005).take(1.0, 0, 0) == []
