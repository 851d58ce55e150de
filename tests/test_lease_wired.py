"""The lease of real valves as the controller hears of it: real drivers, stand-ins on wires."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.samples import LeaseSample, ValveCommand
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.simulated.yard import BOARD
from drivers.valves.lease import TELL_S, LeaseTeller
from firmware_py.controller import Controller
from firmware_py.devices.open import open_rig
from hil_tests.wired import rig_file, wired

START_S, TICK_S = 50.0, 0.01
ROW = "lease not armed"


class Machine:
    """A controller that is not engaged, at real drivers."""

    def __init__(self, folder: Path, wiring: str) -> None:
        file = rig_file(wiring, folder / "temperature")
        sim = SimulatedRig(World(ground="flat", left=BOARD), REFERENCE, 3)
        sim.person.enable(True)
        self.wire = wired(sim, file, folder / "temperature", START_S)
        self.rig = open_rig(file, None, self.wire.wires)
        self.controller = Controller(file)
        self.faults: tuple[str, ...] = ()

    def ticks(self, seconds: float, command: ValveCommand | None = None) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.wire.advance(self.wire.now_s + TICK_S)
            now = self.wire.now_s
            self.faults = self.controller.step(now, self.rig.read(now)).faults
            self.rig.write(self.controller.command if command is None else command)

    def until(self, what: Callable[[], bool], most_s: float) -> float:
        began = self.wire.now_s
        while not what():
            assert self.wire.now_s - began < most_s
            self.ticks(TICK_S)
        return self.wire.now_s - began


@pytest.mark.parametrize("wiring", ["parts", "board"])
def test_it_is_armed_by_neutral_commands_alone(tmp_path: Path, wiring: str) -> None:
    machine = Machine(tmp_path, wiring)
    machine.ticks(TICK_S)
    assert ROW in machine.faults
    machine.until(lambda: ROW not in machine.faults, 1.5)
    machine.ticks(0.4)
    assert ROW not in machine.faults
    assert machine.controller.senses.dropped() == 0


def test_a_board_that_has_lost_its_lease_is_told_until_it_is_armed_again(tmp_path: Path) -> None:
    """It hears nothing for a while: 0.2 s of lease, and its next status."""
    machine = Machine(tmp_path, "board")
    machine.until(lambda: ROW not in machine.faults, 1.5)
    board = machine.wire.board
    assert board is not None
    board.deaf = True
    machine.until(lambda: ROW in machine.faults, 0.5)
    machine.ticks(0.5)
    assert ROW in machine.faults
    board.deaf = False
    machine.until(lambda: ROW not in machine.faults, 0.5)


def test_a_board_that_has_started_anew_is_told(tmp_path: Path) -> None:
    machine = Machine(tmp_path, "board")
    machine.until(lambda: ROW not in machine.faults, 1.5)
    assert machine.wire.board is not None
    machine.wire.board.restart()
    machine.until(lambda: ROW in machine.faults, 0.8)
    machine.until(lambda: ROW not in machine.faults, 2.0)


def test_a_relay_that_is_not_fed_is_told(tmp_path: Path) -> None:
    """The chip is away: nothing is acknowledged, so nothing feeds the relay."""
    machine = Machine(tmp_path, "parts")
    machine.until(lambda: ROW not in machine.faults, 1.5)
    bus = machine.wire.buses["/dev/i2c-1"]
    chip = bus.detach(0x40)
    machine.until(lambda: ROW in machine.faults, 0.3)
    bus.attach(0x40, chip)
    machine.until(lambda: ROW not in machine.faults, 1.0)


def test_told_at_once_when_it_changes_else_ten_times_a_second() -> None:
    held = True
    teller = LeaseTeller("valves", lambda now_s: held)
    told = [one for n in range(30) for one in teller.read(n * 0.01)]
    assert [one.time_s for one in told] == pytest.approx([0.0, TELL_S, 2 * TELL_S])
    held = False
    [one] = teller.read(0.205 + TICK_S)
    assert isinstance(one, LeaseSample)
    assert one.armed is False
    assert teller.read(0.225) == ()
