"""Procedures on simulated rigs. docs/commissioning_map.py does it all on twenty.

Signs and formulas are checked elsewhere by hand; here the simulated rig stands for a machine that
nobody knows, and for one that does what it should not.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from drivers.samples import ValveCommand
from drivers.simulated.reference import REFERENCE, RigTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World
from firmware_py.commission import on_off_steps, string_check, valve_steps
from firmware_py.commission.estimate import CommissionError, Estimate, Surprise
from firmware_py.commission.procedure import Procedure
from firmware_py.commission.valve_record import BarPlace
from firmware_py.sense.ranging import element_positions

POSITIONS = element_positions(5, 0.075)
SEEDS = {
    "tilt": 3,
    "bar": 4,
    "valves": 5,
    "on-off": 5,
}  # one rig a part here; all parts of twenty in docs/


def _script() -> ModuleType:
    path = Path(__file__).resolve().parent.parent / "docs" / "commissioning_map.py"
    spec = importlib.util.spec_from_file_location("commissioning_map", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look their module up
    spec.loader.exec_module(module)
    return module


MAP = _script()
BOARD = sys.modules["commissioning_yard"].BOARD


@pytest.mark.parametrize("part", list(SEEDS))
def test_a_random_rig_within_the_limits(part: str) -> None:
    found = MAP.commission(SEEDS[part], (part,))
    limited = [one for one in found if one.kind in MAP.LIMITS]
    assert limited
    for one in limited:
        assert abs(one.off) < MAP.LIMITS[one.kind], one
    for one in found:
        assert abs(one.off) < 4.0 * one.u, one


def test_the_verdict_of_the_script_on_both_sides() -> None:
    """On figures made by hand: z scores of a normal, then one estimate beyond its limit."""
    z = np.random.default_rng(1).standard_normal(400)
    good = [MAP.Found("bar zero", Estimate(3e-4 * e, "m", 3e-4), 0.0) for e in z.tolist()]
    inside = [one for one in good if abs(one.off) < 1e-3]
    assert MAP.faults(inside) == []
    far = MAP.Found("bar zero", Estimate(1.1e-3, "m", 1e-3), 0.0)
    assert any("bar zero" in told for told in MAP.faults([*inside, far]))
    wide = [MAP.Found("bar zero", replace(f.estimate, type_a=9e-4), 0.0) for f in inside]
    assert any("covered" in told for told in MAP.faults(wide))


ON_OFF = replace(REFERENCE, valves=replace(REFERENCE.valves, on_off=True))
Kind = tuple[Callable[..., Any], RigTruth]
KINDS: dict[str, Kind] = {
    "proportional": (valve_steps.valve_steps, REFERENCE),
    "on-off": (on_off_steps.on_off_steps, ON_OFF),
}
both_kinds = pytest.mark.parametrize("kind", list(KINDS.values()), ids=list(KINDS))


class Scene:
    """The reference rig over a board; `wires` is what becomes of a command on its way."""

    def __init__(
        self, wires: Callable[[float, float], tuple[float, float]], kind: Kind, **changes: Any
    ) -> None:
        steps, truth = kind[0], replace(kind[1], **changes)
        world = World(crossfall=0.0, ground="flat", ground_mean_m=0.0, left=BOARD)
        self.rig = SimulatedRig(world, truth, 1)
        self.rig.person.enable(True)
        place = BarPlace(1.2, 0.75, POSITIONS)
        self.procedure = Procedure(steps("bar.left", place, 0.9))
        self.wires, self.now_s, self.first_s, self.furthest = wires, 10.0, math.inf, 0.0

    def run(self, seconds: float, said: str = "yes") -> None:
        end = self.now_s + seconds
        while not self.procedure.done and self.now_s < end:
            self.now_s += 0.01
            samples = self.rig.read(self.now_s)
            answer = said if self.procedure.next.ask else None
            after = self.procedure.step(self.now_s, samples, answer)
            if any(after.valves):
                self.first_s = min(self.first_s, self.now_s)
            self.rig.write(ValveCommand(self.now_s, *self.wires(*after.valves)))
            self.furthest = max(self.furthest, abs(self.rig.truth().crossfall))


def _right(left: float, right: float) -> tuple[float, float]:
    return left, right


@both_kinds
def test_nothing_moves_before_it_is_confirmed(kind: Kind) -> None:
    scene = Scene(_right, kind)
    assert "keep everybody clear" in scene.procedure.next.words
    scene.run(3.0, "no")
    assert isinstance(scene.procedure.error, CommissionError)
    assert scene.first_s == math.inf
    assert scene.furthest < 1e-6


@both_kinds
@pytest.mark.parametrize(
    ("wires", "words"),
    [
        (lambda left, right: (-left, -right), "wrong way"),
        (lambda left, right: (right, left), "wrong way"),
        (lambda left, right: (-right, -left), "crosswise"),
        (lambda left, right: (0.0, right), "left valve moved nothing up"),
    ],
    ids=["polarity", "sides", "both", "cut"],
)
def test_wrong_wires_end_it_at_once(
    wires: Callable[[float, float], tuple[float, float]], words: str, kind: Kind
) -> None:
    scene = Scene(wires, kind)
    scene.run(80.0)
    assert isinstance(scene.procedure.error, Surprise)
    assert words in str(scene.procedure.error)
    assert scene.procedure.next.valves == (0.0, 0.0)
    assert scene.furthest < 0.04


@both_kinds
def test_a_valve_that_is_far_too_fast_ends_it(kind: Kind) -> None:
    factor = 4.0 if kind[1] is REFERENCE else 10.0
    scene = Scene(lambda left, right: (5.0 * left, right), kind, valve_speed_factor=factor)
    scene.run(40.0)
    assert isinstance(scene.procedure.error, Surprise)
    assert "rolled by" in str(scene.procedure.error)
    assert scene.procedure.next.valves == (0.0, 0.0)


@both_kinds
@pytest.mark.parametrize(
    ("fault", "values", "words"),
    [
        ("valve_runaway", {"rate": 0.03, "end": "left"}, "valves shut"),
        ("unplug", {}, "fell silent"),
    ],
)
def test_a_fault_in_the_midst_ends_it(
    fault: str, values: dict[str, Any], words: str, kind: Kind
) -> None:
    scene = Scene(_right, kind)
    device = "valves" if fault.startswith("valve") else "inertial"
    scene.rig.inject(fault, device, 6.0, 60.0, **values)
    scene.run(20.0)
    assert isinstance(scene.procedure.error, Surprise)
    assert scene.procedure.next.valves == (0.0, 0.0)
    assert scene.now_s < 10.0 + 6.0 + 2.0


@both_kinds
def test_a_hand_on_a_lever_or_driving_ends_it(kind: Kind) -> None:
    for act, words in (
        (lambda person: person.hand("right", 0.0), "hand is on a lever"),
        (lambda person: person.enable(False), "Enable was let go"),
        (lambda person: person.drive(0.5), "stand still"),
    ):
        scene = Scene(_right, kind)
        scene.run(5.0)
        assert not scene.procedure.done
        act(scene.rig.person)
        scene.run(1.0)
        assert words in str(scene.procedure.error)


@both_kinds
def test_without_enable_nothing_moves(kind: Kind) -> None:
    scene = Scene(_right, kind)
    scene.rig.person.enable(False)
    scene.run(10.0)
    assert "Enable is not held" in str(scene.procedure.error)
    assert scene.first_s == math.inf


@pytest.mark.parametrize(("dropout", "ok"), [(0.05, True), (0.35, False)])
def test_string_check(dropout: float, ok: bool) -> None:
    """The line stands still in the world; the machine stands with its bar over it."""
    bar = replace(REFERENCE.left_bar, dropout=dropout, cluster_total_s=0.0)
    line = Reference("string", pins=False, spill=False)
    world = World(crossfall=0.0, ground="flat", left=line, start_lateral_m=0.0)
    rig = SimulatedRig(world, replace(REFERENCE, left_bar=bar), 2)
    sound = 331.3 * math.sqrt(1.0 + 17.0 / 273.15)
    steps = string_check.string_steps(
        "bar.left", POSITIONS, bar.half_angle_rad, sound, places=[(0.6, 0.0)], seconds=8.0
    )
    procedure = Procedure(steps)
    now = 5.0
    while not procedure.done:
        now += 0.01
        procedure.step(now, rig.read(now), "ready" if procedure.next.ask else None)
    assert procedure.result is not None
    assert procedure.result.ok is ok
    assert abs(procedure.result.rate.value - (1.0 - dropout) * 0.99) < 4.0 * procedure.result.rate.u
    spread = procedure.result.cells[0].spread_m
    assert spread is not None
    assert spread == pytest.approx(np.hypot(bar.noise_m, 0.001 / math.sqrt(12.0)), rel=0.25)
