"""Way and speed from a wheel or a track's pulses: signs, standing, marks, lost edges."""

from __future__ import annotations

import importlib.util
import math
import random

import pytest

from drivers.errors import DeviceError
from drivers.protocols import MotionSensor
from drivers.samples import MotionSample
from drivers.standins.pins import StandInPin, StandInWheel
from drivers.wheel import Edge, EdgePin, GpioEdges, Quadrature, Wheel

TICK = 0.01
STEP = 0.001  # s: how finely the wheel is rolled between two reads


class Bench:
    """A wheel of 20 mm pitch, 5 mm a count, that rolls at a speed."""

    def __init__(self, pitch_m: float = 0.02, true_pitch_m: float | None = None) -> None:
        self.now = 0.0
        self.way = 0.0
        self.wheel = StandInWheel(lambda: self.now, true_pitch_m or pitch_m)
        self.opened = 0
        self.driver = Wheel("motion", self.open, pitch_m)

    def open(self) -> tuple[EdgePin, EdgePin]:
        self.opened += 1
        return self.wheel.a, self.wheel.b

    def roll(self, speed: float, seconds: float) -> list[MotionSample]:
        out: list[MotionSample] = []
        for i in range(round(seconds / STEP)):
            self.now += STEP
            self.way += speed * STEP
            self.wheel.roll(self.way)
            if (i + 1) % round(TICK / STEP) == 0:
                out += self.driver.read(self.now)
        return out


def test_forward_and_back_by_hand() -> None:
    """One cycle forward is a up, b up, a down, b down: four counts; the other way minus four."""
    pins = [(0, True), (1, True), (0, False), (1, False)]
    forward = Quadrature(False, False)
    assert [forward.edge(Edge(p, h, 0.0)) for p, h in pins] == [1, 1, 1, 1]
    back = Quadrature(False, False)
    turned = [(1, True), (0, True), (1, False), (0, False)]
    assert [back.edge(Edge(p, h, 0.0)) for p, h in turned] == [-1, -1, -1, -1]
    assert forward.missed == back.missed == 0


def test_an_edge_that_no_wheel_gives_is_counted_and_moves_nothing() -> None:
    wheel = Quadrature(False, False)
    assert wheel.edge(Edge(0, True, 0.0)) == 1
    assert wheel.edge(Edge(0, True, 0.0)) == 0
    assert wheel.missed == 1


def test_any_edges_at_all_are_borne() -> None:
    """10^6 random edges: no exception; each is a step of one or missed, nothing else."""
    wheel = Quadrature(False, False)
    steps = {-1: 0, 0: 0, 1: 0}
    edges = [Edge(pin, high, 0.0) for pin in (0, 1) for high in (False, True)]
    for byte in random.Random(3).randbytes(10**6):
        steps[wheel.edge(edges[byte & 3])] += 1
    assert steps[0] == wheel.missed
    assert steps[-1] + steps[1] + steps[0] == 10**6


@pytest.mark.parametrize("speed", [0.05, 0.3, -0.3, 1.2])
def test_way_and_speed_with_their_sign(speed: float) -> None:
    bench = Bench()
    assert isinstance(bench.driver, MotionSensor)
    last = bench.roll(speed, 4.0)[-1]
    assert last.distance_m == pytest.approx(speed * 4.0, abs=0.005)
    assert last.speed_mps == pytest.approx(speed, rel=0.1)
    assert last.time_s == pytest.approx(4.0)


def test_out_and_back_ends_where_it_began() -> None:
    bench = Bench()
    bench.roll(0.5, 3.0)
    last = bench.roll(-0.5, 3.0)[-1]
    assert last.distance_m == pytest.approx(0.0, abs=0.005)
    assert last.speed_mps is not None
    assert last.speed_mps < -0.4


def test_standing_is_zero_and_a_stop_is_seen_before_that() -> None:
    bench = Bench()
    bench.roll(1.0, 1.0)
    stopping = bench.roll(0.0, 1.0)
    speeds = [s.speed_mps for s in stopping]
    assert all(v is not None and 0.0 <= v <= 1.05 for v in speeds)
    assert speeds[10] is not None
    assert speeds[10] < 0.06  # 5 mm in 0.11 s at most
    assert speeds[-1] == 0.0
    assert len({s.distance_m for s in stopping}) == 1


def test_a_wheel_that_has_not_turned_yet_stands() -> None:
    sample = Bench().roll(0.0, TICK)[0]
    assert (sample.speed_mps, sample.distance_m) == (0.0, 0.0)


def test_a_marked_pin_corrects_the_way_and_two_the_pitch() -> None:
    """The tyre is 3 % smaller than stated: 20 m are counted as 20.6."""
    bench = Bench(pitch_m=0.02, true_pitch_m=0.0194)
    bench.roll(0.5, 4.0)
    assert bench.driver.at_mark(100.0) == pytest.approx(100 - 2.0 * 0.02 / 0.0194, abs=0.01)
    bench.roll(1.0, 20.0)
    assert bench.driver.distance_m == pytest.approx(120.0 + 0.62, abs=0.01)
    assert bench.driver.at_mark(120.0) == pytest.approx(-0.62, abs=0.01)
    assert bench.driver.pitch_m == pytest.approx(0.0194, rel=1e-3)
    last = bench.roll(1.0, 10.0)[-1]
    assert last.distance_m == pytest.approx(130.0, abs=0.01)
    assert last.speed_mps == pytest.approx(1.0, rel=0.05)


def test_marks_may_be_passed_against_chainage() -> None:
    bench = Bench()
    bench.driver.at_mark(50.0)
    bench.roll(-1.0, 10.0)
    assert bench.driver.at_mark(40.0) == pytest.approx(0.0, abs=0.006)
    assert bench.driver.pitch_m == pytest.approx(0.02, rel=1e-3)


@pytest.mark.parametrize(("true_m", "good"), [(9.1, True), (8.9, False), (11.1, False)])
def test_a_wrong_mark_is_refused_on_both_sides_of_its_limit(true_m: float, good: bool) -> None:
    """10 m were counted; more than 10 % off is no tyre."""
    bench = Bench()
    bench.driver.at_mark(0.0)
    bench.roll(1.0, 10.0)
    if good:
        bench.driver.at_mark(true_m)
        assert bench.driver.pitch_m == pytest.approx(0.02 * true_m / 10, rel=1e-3)
        return
    with pytest.raises(DeviceError, match=r"the wheel counted 10\.00 m between two marks"):
        bench.driver.at_mark(true_m)
    assert bench.driver.pitch_m == 0.02
    assert bench.driver.distance_m == pytest.approx(10.0, abs=0.01)


def test_marks_too_near_correct_the_way_alone() -> None:
    bench = Bench()
    bench.driver.at_mark(0.0)
    bench.roll(1.0, 4.0)
    bench.driver.at_mark(4.3)
    assert bench.driver.pitch_m == 0.02
    assert bench.driver.distance_m == 4.3


def test_a_wheel_that_does_not_turn_between_marks_is_told() -> None:
    bench = Bench()
    bench.driver.at_mark(0.0)
    with pytest.raises(DeviceError, match=r"counted 0\.00 m"):
        bench.driver.at_mark(20.0)


def test_edges_lost_in_a_stall_are_counted() -> None:
    bench = Bench()
    bench.roll(1.0, 0.1)
    for _ in range(6000):  # the loop hangs, 6000 counts go by
        bench.way += 0.005
        bench.now += STEP
        bench.wheel.roll(bench.way)
    bench.driver.read(bench.now)
    assert bench.driver.counts["lost"] == 6000 - 4096


def test_unplugged_it_is_silent_and_comes_back() -> None:
    bench = Bench()
    bench.roll(0.5, 1.0)
    bench.wheel.b.plugged = False
    assert bench.roll(0.0, 1.0) == []
    assert bench.driver.trouble == "motion: the pin is gone"
    bench.wheel.b.plugged = True
    after = bench.roll(0.5, 1.0)
    assert after[-1].speed_mps == pytest.approx(0.5, rel=0.1)
    assert bench.opened > 1
    assert bench.driver.trouble is None


class Pulses:
    """A sprocket's sensor, 40 mm a pulse, and the pin that says backward."""

    def __init__(self) -> None:
        self.now = 0.0
        self.pulse, self.backward = StandInPin(lambda: self.now), StandInPin(lambda: self.now)
        self.driver = Wheel("motion", lambda: (self.pulse, self.backward), 0.04, pulses=True)

    def run(self, count: int, every_s: float = 0.1) -> MotionSample:
        for _ in range(count):
            self.now += every_s / 2
            self.pulse.press(True)
            self.driver.read(self.now)
            self.now += every_s / 2
            self.pulse.press(False)
            sample = self.driver.read(self.now)[0]
        return sample


def test_pulses_with_a_pin_that_says_backward() -> None:
    track = Pulses()
    sample = track.run(25)
    assert sample.distance_m == pytest.approx(1.0)
    assert sample.speed_mps == pytest.approx(0.4, rel=0.05)
    track.backward.press(True)
    sample = track.run(30)
    assert sample.distance_m == pytest.approx(-0.2)
    assert sample.speed_mps == pytest.approx(-0.4, rel=0.05)


@pytest.mark.parametrize("pitch", [0.0, -0.02, 2.1, math.nan])
def test_an_absurd_pitch_is_refused(pitch: float) -> None:
    with pytest.raises(DeviceError, match="is no wheel's"):
        Bench(pitch)


def test_closed_it_lets_go_of_its_pins() -> None:
    bench = Bench()
    bench.driver.close()
    assert bench.wheel.a.closed == bench.wheel.b.closed == 1
    assert bench.roll(1.0, 1.0) == []


@pytest.mark.skipif(
    importlib.util.find_spec("gpiozero") is None, reason="gpiozero (extra pi) is not installed"
)
def test_edges_by_gpiozero_on_its_mock_pins() -> None:
    from gpiozero.pins.mock import MockFactory

    factory, now = MockFactory(), [0.0]
    clock = lambda: now[0]  # noqa: E731
    driver = Wheel(
        "motion",
        lambda: (GpioEdges(5, clock, True, factory), GpioEdges(6, clock, True, factory)),
        0.02,
    )
    a, b = factory.pin(5), factory.pin(6)
    for _ in range(10):  # forward: a closes first; a closed contact is low
        for pin, close in ((a, True), (b, True), (a, False), (b, False)):
            now[0] += 0.01
            pin.drive_low() if close else pin.drive_high()
    sample = driver.read(now[0])[0]
    assert sample.distance_m == pytest.approx(0.2)
    assert sample.speed_mps == pytest.approx(0.5, rel=0.01)
    assert driver.counts["missed"] == 0
    driver.close()
