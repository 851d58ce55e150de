"""What listeners are told of devices, the gate that bars are told, and marks for a wheel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pytest
from msgspec import structs

from drivers.mixed import Joined, MixedRig
from firmware_py.controller import Controller
from firmware_py.devices.teller import SHIFT, DeviceTeller, GateTeller, Marks, reach
from firmware_py.link.frames import Devices, Note
from firmware_py.messages import AnyRequest, BarTick, Link, Mark, Side, Tick
from tests.closed_loop import close, rig_of

BAR = rig_of().bars[Side.LEFT]


def bar_tick(gate_m: float | None) -> BarTick:
    return BarTick(Side.LEFT, Link.TRACKING, None, None, None, None, (), (), None, (), gate_m)


def a_tick(time_s: float, gate_m: float | None = None) -> Tick:
    tick = close().step().tick
    return structs.replace(
        tick, time_s=time_s, bars=(bar_tick(gate_m),), gate_near_m=0.04, gate_far_m=0.06
    )


class Fake:
    """A device whose trouble can be set, a bar that keeps its gates, and a wheel."""

    def __init__(self) -> None:
        self.wrong: list[str] = []
        self.gates: list[tuple[float, float]] = []
        self.marks: list[float] = []

    def gate(self, near_m: float, far_m: float) -> None:
        self.gates.append((near_m, far_m))

    def at_mark(self, chainage_m: float) -> float:
        self.marks.append(chainage_m)
        return 0.25


class Bench:
    """One real bar and one pair of real valves, as their report has them."""

    def __init__(self) -> None:
        self.bar, self.valves = Fake(), Fake()
        self.told: list[Any] = []
        self.rig = MixedRig(
            [
                Joined("bar.left", self.bar, lambda: "5 elements", lambda now: self.bar.wrong,
                       lambda: {"pings": 7, "nak": 0}, bar=self.bar, motion=self.bar),
                Joined("valves", self.valves, lambda: "a chip", lambda now: self.valves.wrong,
                       dict),
            ],
            None,
        )  # fmt: skip

    def tell(self, frame: object) -> None:
        self.told.append(frame)


def test_devices_are_told_once_a_second_with_what_they_are() -> None:
    bench = Bench()
    teller = DeviceTeller(Controller(rig_of()), bench.rig, bench)
    tick = a_tick(10.0)
    for n in range(150):
        teller.put(structs.replace(tick, time_s=10.0 + 0.01 * n))
    frames = [one for one in bench.told if isinstance(one, Devices)]
    assert len(frames) == 2
    found = {one.name: one for one in frames[0].devices}
    assert found["bar.left"].what == "5 elements (pings 7)"
    assert found["valves"].what == "a chip"
    assert found["inertial"].what == ""


def test_trouble_is_noted_when_it_begins_and_when_it_ends() -> None:
    bench = Bench()
    teller = DeviceTeller(Controller(rig_of()), bench.rig, bench)
    for second, wrong in enumerate(([], ["gone for 1 s"], ["gone for 2 s"], [])):
        bench.bar.wrong = wrong
        teller.put(a_tick(20.0 + second))
    notes = [one.text for one in bench.told if isinstance(one, Note)]
    assert notes == ["bar.left: gone for 1 s", "bar.left: is well again"]
    devices = [one for one in bench.told if isinstance(one, Devices)]
    assert devices[1].devices[-2].why == "gone for 1 s"


@pytest.mark.parametrize("lateral", [-0.15, 0.0, 0.15])
@pytest.mark.parametrize("roll_deg", [-8.0, 0.0, 8.0])
@pytest.mark.parametrize("clearance", [0.56, 0.66])
def test_no_echo_that_counts_is_gated_away(
    clearance: float, roll_deg: float, lateral: float
) -> None:
    """By hand: a string at this vertical clearance, an element off it, the bar rolled."""
    near, far = reach(BAR, bar_tick(0.6), 0.04, 0.06)
    roll = math.radians(roll_deg)
    # in the bar's frame: down by c, along by y; the element at 0
    c = clearance * math.cos(roll) + lateral * math.sin(roll)
    y = lateral * math.cos(roll) - clearance * math.sin(roll)
    slant = math.hypot(c, y)
    if math.degrees(math.acos(c / slant)) <= BAR.beam_half_angle_deg:
        assert near < slant < far


def test_a_gate_is_told_when_it_has_moved_and_only_then() -> None:
    bench = Bench()
    teller = GateTeller(rig_of(), bench.rig)
    teller.put(a_tick(1.0))
    assert bench.bar.gates == [(BAR.reach_near_mm / 1e3, BAR.reach_far_mm / 1e3)]
    for middle in (0.6, 0.6 + 0.5 * SHIFT, 0.6 - 0.5 * SHIFT):
        teller.put(a_tick(1.0, middle))
    assert len(bench.bar.gates) == 2
    teller.put(a_tick(1.0, 0.6 + 1.5 * SHIFT))
    assert len(bench.bar.gates) == 3


def test_a_mark_at_a_chainage_puts_the_wheel_right_and_goes_on() -> None:
    bench, asked = (
        Bench(),
        [Mark(1, "at 12.50 m"), Mark(2, "soft ground at 3 m"), Mark(3, "at 2 m")],
    )

    class Source:
        def take(self) -> Sequence[AnyRequest]:
            return asked

    notes: list[str] = []
    assert Marks(Source(), bench.rig, notes.append).take() == asked
    assert bench.bar.marks == [12.5, 2.0]
    assert notes[0] == "The way was off by +0.25 m at 12.50 m, and is right now."
