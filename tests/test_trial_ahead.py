"""A trial simulates some ticks ahead of its controller; nobody can tell from what comes out."""

from __future__ import annotations

from functools import partial

import msgspec
import pytest

from drivers.samples import ValveCommand
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.truth import Truth
from firmware_py.trial.run import Loop, prepare, run_trial
from firmware_py.trial.scenario import load_trial
from firmware_py.trial.setup import rig_named, truth_for, world_for
from tests.trial_made import STRING, event, trial

STRIP = STRING.replace('"string"', '"strip"')  # steered by eye where there is no cue
BROKEN = "".join([
    event(do="fault", at_s=4.003, for_s=0.047, fault="unplug", device="valves"),
    event(do="fault", at_s=6, for_s=0.5, fault="valve_shut", device="valves", end="left"),
    event(do="hand", at_m=2, for_s=0.6, end="left", lever=0.5),
    event(do="stop", at_m=3, for_s=1.5),
])  # fmt: skip


@pytest.mark.parametrize("text", [STRING, STRIP], ids=["string", "strip"])
def test_simulating_ahead_of_the_controller_changes_no_bit(text: str) -> None:
    """Against the loop that simulates one tick, steps the controller, and so on."""
    encode = msgspec.msgpack.Encoder().encode
    runs: list[tuple[bytes, list[Truth]]] = []
    for ahead in (1, 3, 8):
        loop = prepare(trial(text, BROKEN), seed=5)
        assert loop.ahead == 8  # 80 ms of dead time
        loop.ahead = ahead
        truths: list[Truth] = []
        look = partial(_look, loop, truths)
        runs.append((b"".join(encode(record) for record in loop.records(look)), truths))
    assert len(runs[0][0]) > 100_000
    assert runs[1] == runs[0]
    assert runs[2] == runs[0]


def _look(loop: Loop, truths: list[Truth]) -> None:
    truths.append(loop.sim.truth())


def test_a_command_given_late_meets_the_fault_of_its_own_time() -> None:
    """Unplugged for one tick: only that tick's command is lost, whenever it is handed over."""
    world, rig = world_for(trial(), None), truth_for(trial(), rig_named("reference"))
    lifts = []
    for late in (False, True):
        sim = SimulatedRig(world, rig, 1)
        sim.read(0.0)
        sim.inject("unplug", "valves", 0.02, 0.03)
        sim.person.drive(0.0)
        for n in range(1, 6):
            sim.read(0.01 * n)
            if not late:
                sim.write(ValveCommand(0.01 * n, 0.5 if n == 2 else 0.0, 0.0))
        for n in range(1, 6) if late else ():
            sim.write(ValveCommand(0.01 * n, 0.5 if n == 2 else 0.0, 0.0), 0.01 * n)
        before = sim.truth().left_lift_m
        sim.read(0.3)
        lifts.append(sim.truth().left_lift_m - before)
    assert lifts == [0.0, 0.0]


def test_a_machine_that_digs_itself_in_ends_the_trial_in_words() -> None:
    """Taken off automatic in its first cut, the blade stays down and digs: nobody drives on."""
    told = run_trial(load_trial("first-cut"), seed=9).summary
    assert told["troubles"][0].startswith("The driver stopped: the machine stands too steep")
    assert told["distance_m"] < 10.0
