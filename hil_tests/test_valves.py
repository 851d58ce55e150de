"""Valve outputs under their lease: simulated, on the wire, and real ones.

EACH TEST HERE MOVES OIL ON HARDWARE. Wiring on hardware: as the rig file names it, the coils'
supply switched off or the coils replaced by resistors; engine off, blade supported, nobody near,
and a hand on the switch that cuts the valves' supply. On hardware nothing is written without
`--valves`, which says that all this is so.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from drivers import protocols
from drivers.samples import ValveCommand
from hil_tests.bench import TICK_S, Bench


def write(bench: Bench, left: float, right: float, seconds: float) -> None:
    """The same command each tick."""
    for _ in range(round(seconds / TICK_S)):
        bench.device.write(ValveCommand(bench.clock.tick(), left, right))


def drive(bench: Bench, left: float, right: float) -> Callable[[], tuple[float, float]]:
    """From neutral to a command; what drives the valves then."""
    driven: Callable[[], tuple[float, float]] = bench.need("driven")
    write(bench, 0.0, 0.0, 1.0)
    assert driven() == (0.0, 0.0)
    write(bench, left, right, 0.3)
    return driven


def test_neutral_is_taken_without_trouble(valves: Bench) -> None:
    """Moves no oil anywhere."""
    assert isinstance(valves.device, protocols.Valves)
    write(valves, 0.0, 0.0, 1.0)
    assert valves.trouble() in {"", "None"}


def test_they_are_valves_and_open_neutral(valves: Bench) -> None:
    driven = valves.need("driven")
    valves.clock.tick()
    assert driven() == (0.0, 0.0)


def test_a_command_is_driven_with_its_sign(valves: Bench) -> None:
    driven = drive(valves, 0.6, -0.3)
    assert driven() == pytest.approx((0.6, -0.3), abs=0.01)
    write(valves, -0.6, 0.3, 0.1)
    assert driven() == pytest.approx((-0.6, 0.3), abs=0.01)


def test_a_silent_loop_loses_the_lease(valves: Bench) -> None:
    lease = valves.need("lease")
    driven = drive(valves, 0.6, 0.6)
    began = valves.clock()
    while driven() != (0.0, 0.0):
        assert valves.clock() - began <= lease() + 3 * TICK_S
        valves.clock.tick()
    assert valves.clock() - began >= 0.5 * lease()


def test_neutral_is_neutral_at_once(valves: Bench) -> None:
    driven = drive(valves, 0.6, -0.6)
    valves.device.neutral(valves.clock.tick())
    valves.clock.tick()
    assert driven() == (0.0, 0.0)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_neutral(valves: Bench, value: float) -> None:
    driven = drive(valves, 0.5, 0.5)
    write(valves, value, 0.5, 0.1)
    assert driven()[0] == 0.0


@pytest.mark.parametrize("value", [1.0, -1.0])
def test_full_is_the_most(valves: Bench, value: float) -> None:
    driven = drive(valves, value, -value)
    assert driven() == pytest.approx((value, -value), abs=0.001)
    assert max(abs(v) for v in driven()) <= 1.0


def test_unplugged_the_valves_shut_and_come_back_neutral(valves: Bench) -> None:
    unplug, replug = valves.need("unplug"), valves.need("replug")
    lease = valves.need("lease")
    driven = drive(valves, 0.6, 0.6)
    unplug()
    write(valves, 0.6, 0.6, lease() + 0.05)
    assert driven() == (0.0, 0.0)
    replug()
    write(valves, 0.0, 0.0, 4.0)
    assert driven() == (0.0, 0.0)
    write(valves, 0.4, 0.0, 0.3)
    assert driven() == pytest.approx((0.4, 0.0), abs=0.01)
