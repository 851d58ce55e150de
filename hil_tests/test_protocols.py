"""What drivers/protocols.py promises, asked of whatever device is named.

Simulated devices live on the time that they are given; a real device is given its own clock by
its driver's fixture. No test here moves oil.
"""

from __future__ import annotations

import math
import time
from itertools import pairwise
from typing import Any

import pytest

from drivers import protocols
from drivers.samples import AnySample, RangePing, Validity, ValveCommand

START_S = 500.0
TICK_S = 0.01
BLOCKS_S = 0.05  # of a call: longer than this and the loop would be late
KINDS = {
    "bar.left": protocols.RangeBar,
    "bar.right": protocols.RangeBar,
    "inertial": protocols.InertialSensor,
    "air": protocols.AirThermometer,
    "motion": protocols.MotionSensor,
    "driver": protocols.DriverInputs,
    "valves": protocols.Valves,
}
SENDERS = [name for name in KINDS if name != "valves"]


def listen(rig: Any, seconds: float) -> list[tuple[float, AnySample]]:
    """Read on, tick by tick; each sample with the time at which it was handed up."""
    got: list[tuple[float, AnySample]] = []
    for n in range(round(seconds / TICK_S) + 1):
        now = START_S + n * TICK_S
        got += [(now, sample) for sample in rig.read(now)]
    return got


def test_it_is_a_rig_and_its_devices_are_what_they_are_called(rig: Any) -> None:
    assert isinstance(rig, protocols.Rig)
    for name, kind in KINDS.items():
        assert isinstance(rig.devices[name], kind)


@pytest.mark.parametrize("device", SENDERS)
def test_samples_are_ordered_and_timed(rig: Any, device: str) -> None:
    got = [(now, s) for now, s in listen(rig, 3.0) if s.device == device]
    assert len(got) >= 3
    times = [sample.time_s for _, sample in got]
    assert all(math.isfinite(t) for t in times)
    assert all(a < b for a, b in pairwise(times))
    for now, sample in got:
        assert START_S - 1.0 <= sample.time_s <= now + 1e-6  # never ahead of the caller's clock
        assert isinstance(sample.validity, Validity)


@pytest.mark.parametrize("device", SENDERS)
def test_nothing_is_handed_up_twice(rig: Any, device: str) -> None:
    part = rig.devices[device]
    part.read(START_S)
    assert len(part.read(START_S + 3.0)) >= 3
    assert list(part.read(START_S + 3.0)) == []


def test_echoes_lie_within_their_firing(rig: Any) -> None:
    pings = [s for _, s in listen(rig, 2.0) if isinstance(s, RangePing)]
    assert {ping.element for ping in pings if ping.device == "bar.left"} == set(range(5))
    for ping in pings:
        flights = [echo.flight_s for echo in ping.echoes]
        assert flights == sorted(flights)
        for echo in ping.echoes:
            assert 0.0 < echo.flight_s < 0.06
            assert ping.time_s <= echo.time_s <= ping.time_s + echo.flight_s


def test_no_call_blocks(rig: Any) -> None:
    rig.read(START_S)
    longest = []
    for n in range(1, 200):
        now = START_S + n * TICK_S
        began = time.perf_counter()
        rig.read(now)
        rig.write(ValveCommand(now, 0.0, 0.0))
        longest.append(time.perf_counter() - began)
    # the second longest: this computer, not the device, may hold one call up
    assert sorted(longest)[-2] < BLOCKS_S


def test_the_lease_shuts_the_valves(rig: Any) -> None:
    """Without a fresh command the valves shut by themselves."""
    truth = getattr(rig, "truth", None)
    if truth is None:
        pytest.skip("this back has no oil that can be watched")
    rig.read(START_S)
    rig.write(ValveCommand(START_S, 0.6, 0.6))
    rig.read(START_S + 0.15)
    assert (truth().left_oil, truth().right_oil) == (1, 1)
    rig.read(START_S + 0.6)  # the lease of 0.2 s and the dead time are over
    assert (truth().left_oil, truth().right_oil) == (0, 0)


def test_neutral_and_close_shut_the_valves(rig: Any) -> None:
    for shut in (rig.devices["valves"].neutral, lambda _: rig.close()):
        rig.read(START_S)
        rig.write(ValveCommand(START_S, -0.6, 0.6))
        shut(START_S)
        assert (rig.devices["valves"].last.left, rig.devices["valves"].last.right) == (0.0, 0.0)


def test_what_is_no_number_is_no_command(rig: Any) -> None:
    truth = getattr(rig, "truth", None)
    if truth is None:
        pytest.skip("this back has no oil that can be watched")
    rig.read(START_S)
    rig.write(ValveCommand(START_S, math.nan, math.inf))
    rig.read(START_S + 0.15)
    assert (truth().left_oil, truth().right_oil) == (0, 0)
