"""Inertial sensors on the wire: identity, faults, unplugging."""

from __future__ import annotations

import itertools

import pytest
from drv_inertial_bench import ADDRESS, KINDS, TICK, WITH_FIFO, Bench, shaken

from drivers.errors import DeviceError
from drivers.i2c import Bus
from drivers.inertial.axes import Axes
from drivers.inertial.driver import Inertial
from drivers.inertial.model import DEG, GRAVITY
from drivers.protocols import InertialSensor
from drivers.standins.i2c_bus import Nak, StandInBus


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


def test_level_and_still_reads_one_g_up(kind: str) -> None:
    bench = Bench(kind)
    assert isinstance(bench.driver, InertialSensor)
    samples = bench.run(2.0)
    assert len(samples) > 90
    mean_z = sum(s.az for s in samples) / len(samples)
    assert mean_z == pytest.approx(GRAVITY, abs=0.05)
    assert samples[-1].temperature_c == pytest.approx(25.0, abs=0.01)
    assert bench.driver.trouble is None
    assert bench.driver.identity == f"{bench.driver.model.what} at i2c 0x68"
    assert {k: v for k, v in bench.driver.counts.items() if v} == {"opened": 1}


def test_axes_are_turned_as_set(kind: str) -> None:
    """The chip's x looks down: its reading there is -1 g; up is -x."""
    motion = lambda t: (-GRAVITY, shaken(t)[0], 0.0, 0.3, 0.0, 0.0)  # noqa: E731
    bench = Bench(kind, motion, axes=Axes("+z", "+y", "-x"))
    last = bench.run(1.5)[-1]
    assert last.az == pytest.approx(GRAVITY, abs=0.01)
    assert last.gz == pytest.approx(-0.3, abs=0.002)


@pytest.mark.parametrize(
    ("kind", "register", "words"),
    [
        ("mpu6050", 0x75, "answers WHO_AM_I with 0x12, and a MPU-6050 answers 0x68"),
        ("lsm6dso", 0x0F, "answers WHO_AM_I with 0x12, and a LSM6DSO answers 0x6C"),
        ("bno055", 0x03, "answers GYR_ID with 0x12, and a BNO055 answers 0x0F"),
    ],
)
def test_another_chip_is_told_in_one_sentence(kind: str, register: int, words: str) -> None:
    chip, model = KINDS[kind]
    bus = StandInBus()
    other = chip(lambda: 0.0)
    other.registers[register] = 0x12
    bus.attach(ADDRESS, other)
    with pytest.raises(DeviceError, match=words) as caught:
        Inertial("imu", Bus("i2c", lambda path: bus), model(), ADDRESS)
    assert "\n" not in str(caught.value)


def test_no_chip_at_the_address_is_told(kind: str) -> None:
    with pytest.raises(DeviceError, match=r"imu: i2c, address 0x68 does not answer; look at"):
        Inertial("imu", Bus("i2c", lambda path: StandInBus()), KINDS[kind][1](), ADDRESS)


def test_one_nak_costs_a_moment_and_is_counted(kind: str) -> None:
    bench = Bench(kind)
    bench.run(1.5)
    bench.bus.nak(ADDRESS)
    assert bench.run(TICK) == []
    assert bench.driver.counts["nak"] == 1
    assert bench.driver.trouble is not None
    assert len(bench.run(0.2)) > 10
    assert bench.driver.trouble is None
    assert bench.driver.counts["opened"] == 1


def test_a_short_read_is_counted_and_gives_no_sample(kind: str) -> None:
    bench = Bench(kind)
    bench.run(1.5)
    bench.bus.short_by = 1
    assert bench.run(TICK) == []
    bench.bus.short_by = 0
    assert bench.driver.counts["short"] == 1
    after = bench.run(0.3)
    assert len(after) > 20
    assert all(abs(s.az - GRAVITY) < 0.5 for s in after)  # nothing out of step


@pytest.mark.parametrize("kind", WITH_FIFO)
def test_a_read_that_breaks_off_does_not_leave_the_fifo_out_of_step(kind: str) -> None:
    """Five bytes are gone from the FIFO; read on, every number would be another's half."""
    bench = Bench(kind)
    bench.run(1.5)
    whole = bench.chip.read

    def broken(n: int) -> bytes:
        if n <= 2:
            return whole(n)
        whole(5)
        bench.chip.read = whole  # type: ignore[method-assign]
        raise Nak

    bench.chip.read = broken  # type: ignore[method-assign]
    runs = bench.driver.run
    after = bench.run(1.0)
    assert bench.driver.counts["nak"] == 1
    assert bench.driver.run == runs + 1
    assert len(after) > 150
    assert all(abs(s.az - GRAVITY) < 0.5 and abs(s.ax) < 0.5 for s in after)


def test_a_stuck_bus_is_tried_a_few_times_a_second_and_no_more(kind: str) -> None:
    """Each try may cost the loop the adapter's timeout. The bus rests for 2 s at the longest."""
    bench = Bench(kind)
    bench.run(1.5)
    bench.bus.stuck = True
    assert bench.run(0.03) == []
    assert bench.driver.dead(bench.now)
    before = bench.bus.fails
    assert bench.run(2.0) == []
    assert bench.bus.fails - before <= 9
    assert "the bus is stuck" in str(bench.driver.trouble)
    bench.bus.stuck = False
    assert len(bench.run(4.0)) > 80
    assert bench.driver.trouble is None


def test_unplugged_and_plugged_in_again_it_is_set_up_anew(kind: str) -> None:
    bench = Bench(kind)
    bench.run(1.5)
    runs = bench.driver.run
    chip = bench.bus.detach(ADDRESS)
    assert bench.run(1.0) == []
    assert bench.driver.dead(bench.now)
    bench.chip.power_on()  # it has forgotten everything
    bench.bus.attach(ADDRESS, chip)
    after = bench.run(2.0)
    assert len(after) > 80
    assert after[-1].az == pytest.approx(GRAVITY, abs=0.5)
    assert bench.driver.run > runs
    assert bench.driver.counts["opened"] == 2
    times = [s.time_s for s in after]
    assert all(a < b for a, b in itertools.pairwise(times))


def test_the_adapter_may_go_too(kind: str) -> None:
    bench = Bench(kind)
    bench.run(1.5)
    bench.bus.unplug()
    assert bench.run(0.5) == []
    assert bench.driver.counts["no_bus"] >= 1
    assert "the bus is not there" in str(bench.driver.trouble)
    bench.bus.replug()
    assert len(bench.run(2.0)) > 80


def test_a_loss_of_supply_between_two_reads_is_noticed(kind: str) -> None:
    """Nobody misses an answer: the chip is there, only asleep."""
    bench = Bench(kind)
    bench.run(1.5)
    bench.chip.power_on()
    quiet = bench.run(0.2)
    assert len(quiet) <= 1
    assert bench.driver.counts["stuck"] == 1
    assert len(bench.run(2.0)) > 80


def test_a_chip_that_no_longer_samples_is_dead_within_three_periods(kind: str) -> None:
    bench = Bench(kind)
    bench.run(1.5)
    assert not bench.driver.dead(bench.now)
    bench.chip.dead = True
    period = bench.driver.model.period_s
    bench.run(3 * period + 2 * TICK)
    assert bench.driver.dead(bench.now)
    bench.run(1.0)
    assert bench.driver.counts["stuck"] >= 1
    assert "measures nothing" in str(bench.driver.trouble)
    bench.chip.dead = False
    assert len(bench.run(2.0)) > 50


def test_closed_it_reads_nothing_more(kind: str) -> None:
    bench = Bench(kind)
    bench.run(0.5)
    bench.driver.close()
    asked = len(bench.bus.log)
    assert bench.run(1.0) == []
    assert len(bench.bus.log) == asked


def test_gyro_range_is_what_was_set() -> None:
    bench = Bench("lsm6dso", lambda t: (0.0, 0.0, GRAVITY, 100 * DEG, 0.0, 0.0))
    assert bench.run(1.0)[-1].gx / DEG == pytest.approx(100.0, abs=0.01)
