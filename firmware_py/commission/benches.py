"""Opens the bench that a rig file asks for: simulated in a yard, or its real devices."""

from __future__ import annotations

from drivers.simulated.yard import LOOK_S, Yard
from firmware_py.commission.runner import Bench, LiveBench, Person, SimulatedBench
from firmware_py.devices.open import open_rig
from firmware_py.devices.which import real_tables, simulated_devices
from firmware_py.live.scene import check_simulated, scene_for
from firmware_py.live.simulated import simulated as on_its_way
from firmware_py.messages import Side
from firmware_py.settings import SIMULATED, Rig
from firmware_py.trial.setup import truth_for
from firmware_py.twin import twin


def open_bench(rig: Rig, side: Side | None, seed: int, person: Person) -> Bench:
    """side: the bar that things are put under; None: the machine stands where a run begins.

    DeviceError or RigError where it cannot be had. With any real device it is real time, and what
    is simulated stands still beside it.
    """
    if real_tables(rig):
        return _live(rig, seed, person)
    check_simulated(rig)
    if side is None:
        return SimulatedBench(Standing(rig, seed), person)
    truth = truth_for(scene_for(rig), rig)
    return SimulatedBench(Yard(truth, side.value, seed), person)


def _live(rig: Rig, seed: int, person: Person) -> LiveBench:
    beside = None
    valves = rig.valves is not None and rig.valves.kind == SIMULATED
    if valves or simulated_devices(rig):
        beside = on_its_way(twin(rig), seed)
    opened = open_rig(rig, beside)
    bench = LiveBench(opened, person)
    opened.settle(bench.tick())
    return bench


class Standing:
    """The simulated rig where a run begins: a person shakes cables, or holds a lever."""

    def __init__(self, rig: Rig, seed: int) -> None:
        made = on_its_way(rig, seed)
        self.read, self.write, self.close = made.read, made.write, made.close
        self.reading: float | None = None
        self._person = made.person

    def act(self, name: str, at: tuple[float, ...]) -> float:
        """The seconds that it takes; the engine is off, so a held lever moves nothing."""
        what, _, which = name.partition(" ")
        if what == "hold":
            self._person.hand(which, 0.0)
        elif what == "let":
            for end in ("left", "right"):
                self._person.hand(end, None)
        return LOOK_S if what in ("hold", "let") else 0.0

    def finish(self) -> None:
        """Nothing has to be put away."""
