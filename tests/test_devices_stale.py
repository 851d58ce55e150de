"""A loop that hangs between reading and commanding, through real drivers and wires."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.samples import ValveCommand
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.simulated.yard import BOARD
from firmware_py.devices.open import open_rig
from hil_tests.wired import rig_file, wired

START_S, TICK_S = 50.0, 0.01


class Machine:
    """Five serial rangers, and valves on a PWM chip behind a watchdog relay."""

    def __init__(self, folder: Path) -> None:
        file = rig_file("parts", folder / "temperature")
        sim = SimulatedRig(World(ground="flat", left=BOARD), REFERENCE, 3)
        self.wire = wired(sim, file, folder / "temperature", START_S)
        self.rig = open_rig(file, None, self.wire.wires)

    def ticks(self, seconds: float, command: float, hangs_s: float = 0.0) -> None:
        """Read and command each tick; hangs_s: what lies between the two, in each of them."""
        for _ in range(round(seconds / TICK_S)):
            self.wire.advance(self.wire.now_s + TICK_S)
            now = self.wire.now_s
            self.rig.read(now)
            if hangs_s:
                self.wire.advance(now + hangs_s)
            self.rig.write(ValveCommand(now, command, command))

    @property
    def driven(self) -> tuple[float, float]:
        assert self.wire._driven is not None
        return self.wire._driven()

    @property
    def said(self) -> tuple[tuple[str, ...], int]:
        report = {one.name: one for one in self.rig.report(self.wire.now_s)}
        return report["valves"].wrong, report["valves"].counts.get("stale", 0)


def test_a_loop_that_hangs_between_reading_and_commanding(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.ticks(1.0, 0.0)
    machine.ticks(0.1, 0.5)
    assert machine.driven == pytest.approx((0.5, 0.5), abs=0.01)
    wrong, before = machine.said
    assert wrong == ()
    machine.ticks(0.01, 0.5, hangs_s=0.151)
    assert machine.driven == (0.0, 0.0)
    [told], count = machine.said
    assert "the newest firing of a bar is 0." in told
    assert "at most 0.15 s is right" in told
    assert count == before + 1
    machine.ticks(0.1, 0.5)
    assert machine.driven == pytest.approx((0.5, 0.5), abs=0.01)
    wrong, after = machine.said
    assert wrong == ()
    machine.ticks(0.5, 0.5)
    assert machine.said == ((), after)  # well again, and none more


def test_a_bar_that_falls_silent_takes_the_valves_with_it(tmp_path: Path) -> None:
    """Whoever commands: the driver of the valves asks for itself, and the relay drops out."""
    machine = Machine(tmp_path)
    machine.ticks(1.0, 0.0)
    machine.ticks(0.1, 0.5)
    for n in range(5):
        machine.wire.lines[f"/dev/serial/by-path/{n}"].unplug()
    machine.ticks(0.15 + TICK_S, 0.5)
    assert machine.driven == (0.0, 0.0)
    edges = len(machine.wire.outputs[25].told)
    machine.ticks(0.3, 0.5)
    assert len(machine.wire.outputs[25].told) == edges
    assert machine.said[1] >= 30


def test_before_a_bar_has_fired_nothing_is_driven(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    for n in range(5):
        machine.wire.lines[f"/dev/serial/by-path/{n}"].unplug()
    machine.ticks(1.0, 0.5)
    assert machine.driven == (0.0, 0.0)
    assert any("no bar has fired yet" in told for told in machine.said[0])
