"""The valves found through real drivers: every device a stand-in on a wire, time as wires have it.

The stand-ins hang on the simulated reference machine; the bench is the one of real rigs.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from drivers.mixed import MixedRig
from drivers.samples import AnySample, ValveCommand
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.simulated.yard import BOARD
from drivers.standins.wire_world import WireWorld
from firmware_py.commission.estimate import Surprise
from firmware_py.commission.procedure import Next
from firmware_py.commission.runner import LiveBench, play
from firmware_py.commission.valve_record import BarPlace
from firmware_py.commission.valve_steps import valve_steps
from firmware_py.commission.valves import ValveMap
from firmware_py.devices.open import open_rig
from firmware_py.messages import SIDES, Side
from firmware_py.sense.ranging import element_positions
from hil_tests.wired import rig_file, wired

START_S = 50.0
THINKS = 60  # ticks until the person says yes


class Wired:
    """The opened rig; what drives the coils reaches the machine with each command."""

    def __init__(self, wire: WireWorld, rig: MixedRig, let_go_s: float) -> None:
        self.wire, self.rig, self.let_go_s = wire, rig, let_go_s

    def read(self, now_s: float) -> Sequence[AnySample]:
        if now_s > START_S + self.let_go_s:
            self.wire.sim.person.enable(False)
        return self.rig.read(now_s)

    def write(self, command: ValveCommand) -> None:
        self.rig.write(command)
        self.wire.driven()

    def close(self) -> None:
        self.rig.close()


class Person:
    """Says yes after a while."""

    def __init__(self) -> None:
        self.polled = 0

    def ask(self, asked: Next, offer: float | None) -> str:
        raise NotImplementedError

    def begin(self, asked: Next) -> None:
        pass

    def poll(self, asked: Next | None) -> str | None:
        self.polled += 1
        return "yes" if asked is not None and self.polled > THINKS else None


def found(folder: Path, wiring: str, let_go_s: float = 1e9) -> ValveMap:
    file = rig_file(wiring, folder / "temperature")
    world = World(ground="flat", crossfall=0.0, ground_mean_m=0.0, left=BOARD)
    sim = SimulatedRig(world, REFERENCE, 3)
    wire = wired(sim, file, folder / "temperature", START_S)
    sim.person.enable(True)
    rig = Wired(wire, open_rig(file, None, wire.wires), let_go_s)

    def sleep(seconds: float) -> None:
        wire.advance(wire.now_s + seconds)

    bench = LiveBench(rig, Person(), lambda: wire.now_s, sleep)
    bar = file.bars[Side.LEFT]
    place = BarPlace(
        1.2, 1e-3 * bar.above_mm, element_positions(bar.elements, 1e-3 * bar.spacing_mm)
    )
    return play(valve_steps(bar.device, place, 0.9, repeats=1), bench)


@pytest.mark.parametrize("wiring", ["parts", "board"])
def test_the_map_by_real_drivers(tmp_path: Path, wiring: str) -> None:
    """What drivers/simulated/reference.py says, within the limits asked of commissioning."""
    seen = found(tmp_path, wiring)
    assert seen.dead_time.value == pytest.approx(0.080, abs=0.015)
    for side in SIDES:
        valve = seen.valves[side]
        assert valve.overlap_up.value == pytest.approx(0.12, abs=0.02)
        assert valve.overlap_down.value == pytest.approx(0.12, abs=0.02)
        assert valve.up.value == pytest.approx(0.090, rel=0.05)
        assert valve.down.value == pytest.approx(0.120, rel=0.05)


def test_letting_go_of_enable_ends_it(tmp_path: Path) -> None:
    with pytest.raises(Surprise, match="Enable was let go"):
        found(tmp_path, "board", 8.0)
