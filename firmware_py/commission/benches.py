"""Opens the bench that a rig file asks for: simulated in a yard, or its real devices."""

from __future__ import annotations

from typing import Any

from drivers.simulated.yard import Yard
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.in_force import SIMULATED
from firmware_py.commission.runner import Bench, Person, SimulatedBench
from firmware_py.live.scene import check_simulated, scene_for
from firmware_py.live.simulated import simulated as on_its_way
from firmware_py.messages import Side
from firmware_py.settings import Rig
from firmware_py.trial.setup import truth_for


def parts(rig: Rig) -> list[Any]:
    """Every device's table."""
    own: list[Any] = [*rig.bars.values(), rig.inertial, rig.air, rig.motion, rig.driver]
    return own + ([] if rig.valves is None else [rig.valves])


def simulated(rig: Rig) -> bool:
    """Whether no device is real."""
    return all(part.kind == SIMULATED for part in parts(rig))


def open_bench(rig: Rig, side: Side | None, seed: int, person: Person) -> Bench:
    """side: the bar that things are put under; None: the machine stands where a run begins."""
    if not simulated(rig):
        kinds = sorted({part.kind for part in parts(rig)} - {SIMULATED})
        raise CommissionError(f"Nothing opens a device of kind {', '.join(kinds)} yet.")
    check_simulated(rig)
    if side is None:
        return SimulatedBench(Standing(rig, seed), person)
    truth = truth_for(scene_for(rig), rig)
    return SimulatedBench(Yard(truth, side.value, seed), person)


class Standing:
    """The simulated rig where a run begins: a person has nothing to do but to shake cables."""

    def __init__(self, rig: Rig, seed: int) -> None:
        made = on_its_way(rig, seed)
        self.read, self.write, self.close = made.read, made.write, made.close
        self.reading: float | None = None

    def act(self, name: str, at: tuple[float, ...]) -> float:
        """Nothing has to be carried."""
        return 0.0

    def finish(self) -> None:
        """Nor put away."""
