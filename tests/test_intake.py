"""Bad samples of every device: refused, counted exactly, and of no effect on any number."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from closed_loop import LEFT, rig_of
from hand_made import OK, Bench, G, scene
from msgspec import to_builtins
from msgspec.structs import replace

from drivers.samples import (
    AirSample,
    AnySample,
    DriverSample,
    Echo,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)
from firmware_py import messages as ask
from firmware_py.controller import Controller
from firmware_py.messages import Mode, Tick
from firmware_py.sense.intake import AHEAD, FLIGHT, LATE, SAME_INERTIAL, Intake

DEVICES = ("inertial", "bar.left", "motion", "air", "driver")
NO_NUMBER = (math.nan, math.inf, -math.inf)
BEYOND = {
    "ax": 161.0, "ay": -161.0, "az": 161.0, "gx": 36.0, "gy": -36.0, "gz": 36.0,
    "speed_mps": -10.1, "distance_m": 1.1e6, "temperature_c": 75.1,
}  # fmt: skip


def _impossible(s: Any) -> list[Any]:
    """The same sample with every value in turn replaced by one that cannot be."""
    if isinstance(s, RangePing):
        t = s.time_s
        flights = [Echo(t, f) for f in (*NO_NUMBER, 0.0, -0.004, FLIGHT + 1e-6)]
        times = [Echo(at, 0.004) for at in (*NO_NUMBER, t - 1e-6, t + FLIGHT + 1e-6)]
        bad = [replace(s, echoes=(Echo(t + 0.001, 0.002), e)) for e in flights + times]
        return bad + [replace(s, element=e) for e in (-1, 5)]
    names = [n for n in s.__struct_fields__ if n in BEYOND]
    if isinstance(s, InertialSample):
        names.remove("temperature_c")  # nobody uses the chip's own
    return [replace(s, **{name: v}) for name in names for v in (*NO_NUMBER, BEYOND[name])]


# what stands before and after a good sample at a tick's time
Wrong = tuple[list[Any], list[Any]]
WRONGS: dict[str, Callable[[float, Any], Wrong]] = {
    "not a time": lambda _, s: ([replace(s, time_s=v) for v in NO_NUMBER], []),
    "early": lambda now, s: ([replace(s, time_s=now + 1.01 * AHEAD)], []),
    "late": lambda now, s: ([replace(s, time_s=now - LATE - 0.001)], []),
    "repeated": lambda _, s: ([], [s, s]),
    "out of order": lambda _, s: ([], [replace(s, time_s=s.time_s - 1e-4)]),
    "at fault": lambda _, s: ([replace(s, validity=Validity.FAULT)], []),
    "unknown device": lambda _, s: ([replace(s, device="nobody")], []),
    "impossible": lambda _, s: (_impossible(s), []),
}


class Dirty(Bench):
    """The bench with bad samples of one device mixed in among its good ones."""

    device = ""
    wrong: Callable[[float, Any], Wrong] | None = None
    added = 0

    def samples(self) -> list[AnySample]:
        out: list[AnySample] = []
        for sample in super().samples():
            before, after = [], []
            if self.wrong and sample.device == self.device:
                before, after = self.wrong(self.t, sample)
            self.added += len(before) + len(after)
            out += [*before, sample, *after]
        return out


def _numbers(value: Any) -> Iterator[float]:
    if isinstance(value, (list, tuple)):
        for item in value:
            yield from _numbers(item)
    elif isinstance(value, (int, float)):
        yield value


def _finite(tick: Tick) -> bool:
    """Every number of a tick, but for how long a bar has not seen what it never saw: inf."""
    bars = tuple(replace(b, unseen_s=0.0) if b.unseen_s == math.inf else b for b in tick.bars)
    return all(math.isfinite(v) for v in _numbers(to_builtins(replace(tick, bars=bars))))


def _work(device: str = "", wrong: Callable[[float, Any], Wrong] | None = None) -> list[Tick]:
    """Stand, datum, engage, a nudge, a turn at 0.5 m/s; every tick counts right."""
    bench = Dirty(Controller(rig_of()), scene(0.6))
    bench.device, bench.wrong = device, wrong
    ticks: list[Tick] = []

    def run(n: int) -> None:
        for _ in range(n):
            ticks.append(bench.step())
            assert ticks[-1].dropped == bench.added

    bench.scene.roll = math.atan(0.02)
    run(120)
    assert bench.ask(ask.SetDatum, LEFT) == ""
    assert bench.ask(ask.Engage) == ""
    bench.scene.speed, bench.scene.yaw_rate = 0.5, 0.05
    run(20)
    assert bench.ask(ask.Nudge, LEFT, 0.004) == ""
    run(60)
    assert ticks[-1].mode is Mode.AUTO
    return ticks


def _without_drops(tick: Tick) -> Tick:
    return replace(tick, dropped=0, faults=tuple(f for f in tick.faults if f != "samples dropped"))


@pytest.fixture(scope="session")
def clean() -> list[Tick]:
    ticks = _work()
    assert ticks[-1].dropped == 0
    assert ticks[-1].left.valve != 0.0
    return ticks


CASES = [(d, w) for d in DEVICES for w in WRONGS if (d, w) != ("driver", "impossible")]


@pytest.mark.parametrize(("device", "wrong"), CASES)
def test_bad_samples_are_counted_and_change_nothing(
    device: str, wrong: str, clean: list[Tick]
) -> None:
    """All numbers finite and every tick the very same as without them, but for their count."""
    ticks = _work(device, WRONGS[wrong])
    assert ticks[-1].dropped > 0
    for tick, good in zip(ticks, clean, strict=True):
        assert _finite(tick)
        assert _without_drops(tick) == good
        assert ("samples dropped" in tick.faults) is (tick.dropped > 0)


def test_the_fault_samples_dropped_goes_by_itself() -> None:
    """Told for a second after the last one, and half a second more: see the fault table."""
    bench = Dirty(Controller(rig_of()), scene(0.6))
    bench.device, bench.wrong = "air", WRONGS["late"]
    assert "samples dropped" in bench.run(0.1).faults
    bench.wrong = None
    assert "samples dropped" in bench.run(0.9).faults
    assert "samples dropped" not in bench.run(0.8).faults


def _ping(t: float, element: int = 0, flight: float = 0.004) -> RangePing:
    return RangePing("bar.left", t, OK, element, (Echo(t + flight / 2, flight),))


def _air(t: float, reading: float | None = 20.0, validity: Validity = OK) -> AirSample:
    return AirSample("air", t, validity, reading)


def test_each_refusal_says_why() -> None:
    gate = Intake("air")
    assert gate.accept(_air(100.0), 100.0)
    for sample, why in (
        (_air(math.nan), "time is not finite"),
        (_air(100.2), "time is ahead of the clock"),
        (_air(99.5), "too late"),
        (_air(100.0), "repeated"),
        (_air(99.9), "out of order"),
        (_air(100.1, -60.5), "impossible reading"),
        (_air(100.1, validity=Validity.FAULT), "device reports a fault"),
    ):
        assert not gate.accept(sample, 100.1)
        assert gate.why == why
    assert (gate.dropped, gate.last_s, gate.age(100.1)) == (7, 100.0, pytest.approx(0.1))


def test_the_edges_of_the_window_are_inside() -> None:
    assert Intake("air").accept(_air(8.0 + AHEAD / 2), 8.0)
    assert Intake("air").accept(_air(8.0 - LATE), 8.0)
    assert Intake("air").accept(_air(8.0, 75.0), 8.0)
    assert Intake("bar.left", 5).accept(_ping(8.0, 4, FLIGHT), 8.1)


def test_nothing_measured_keeps_a_bar_fresh_and_no_other_device() -> None:
    """A bar that hears no echo works; a thermometer, odometer or driver's box that says NOTHING
    is let in without being counted, yet ages, so that its fault row is told."""
    bar, air = Intake("bar.left", 5), Intake("air")
    for k in range(11):
        t = 50.0 + 0.1 * k
        assert bar.accept(RangePing("bar.left", t, Validity.NOTHING, 0, ()), t)
        assert air.accept(_air(t, None, OK if k == 0 else Validity.NOTHING), t)
    assert bar.age(51.0) == 0.0
    assert air.age(51.0) == pytest.approx(1.0)
    assert bar.dropped == air.dropped == 0


def test_an_inertial_sensor_that_repeats_itself_is_stuck() -> None:
    gate = Intake("inertial")

    def feed(k: int, ax: float) -> None:
        t = 10.0 + 0.005 * k
        assert gate.accept(InertialSample("inertial", t, OK, ax, 0.0, G, 0.0, 0.0, 0.0, None), t)

    for k in range(SAME_INERTIAL):
        feed(k, 0.1)
    assert not gate.stuck
    feed(SAME_INERTIAL, 0.1)
    assert gate.stuck
    feed(SAME_INERTIAL + 1, 0.1001)
    assert not gate.stuck


def test_equal_ranges_are_counted_by_element() -> None:
    """Silence of an element neither adds nor clears; whether that is a fault is the guard's."""
    gate = Intake("bar.left", 5)
    for k in range(4):
        for e in range(5):
            t = 10.0 + 0.04 * k + 0.008 * e
            assert gate.accept(_ping(t, e, 0.004 if e < 2 else 0.004 + 1e-6 * k), t)
    assert gate.same == [3, 3, 0, 0, 0]
    assert gate.accept(RangePing("bar.left", 30.0, Validity.NOTHING, 0, ()), 30.0)
    assert gate.same[0] == 3
    assert gate.accept(_ping(31.0, 0, 0.0041), 31.0)
    assert gate.same[0] == 0
    assert not gate.stuck


def test_wild_but_possible_samples_leave_every_number_finite() -> None:
    """Anything that intake lets in, also on every axis at full scale, and at first without gravity:
    the controller goes on, nothing is counted, and no tick holds a number that is none."""
    rng = np.random.default_rng(3)
    controller = Controller(rig_of())
    for k in range(1500):
        t = 1000.0 + 0.01 * k
        scale = 0.0 if k < 5 else rng.choice([0.1, 1.0])
        force, rate = rng.choice([-1, -0.5, 0, 1], 3) * 160 * scale, rng.choice([-1, 1], 3) * 35
        flights = np.sort(rng.uniform(1e-4, FLIGHT, 3))
        samples: list[AnySample] = [
            InertialSample("inertial", t, OK, *map(float, force), *map(float, rate), None),
            MotionSample("motion", t, OK, float(rng.uniform(-10, 10)), float(rng.normal() * 1e5)),
            AirSample("air", t, OK, float(rng.choice([-60.0, 20.0, 74.9, 75.0]))),
            DriverSample("driver", t, OK, True, *(bool(b) for b in rng.random(2) < 0.1)),
            RangePing("bar.left", t - FLIGHT, OK, k % 5,
                      tuple(Echo(t - float(rng.uniform(0, FLIGHT)), float(f)) for f in flights)),
        ]  # fmt: skip
        tick = controller.step(t, samples)
        assert tick.dropped == 0
        assert _finite(tick)
        assert all(math.isfinite(v) for v in (controller.command.left, controller.command.right))
    assert tick.roll is not None
