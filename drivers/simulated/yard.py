"""A simulated machine in a yard, and the person who handles it while it is commissioned.

Scenes are made as they are called for; time goes on through all of them. Whatever a person can
get wrong is drawn from the seed: marks missed, dirt under the edge, a rule and a level misread.
Lengths in m, angles in rad, levers and lifts > 0 raise; ends are the driver's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drivers.samples import AnySample, ValveCommand
from drivers.simulated.reference import RigTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.surface import Floats
from drivers.simulated.world import Reference, World

BOARD = Reference("edge", width_m=1.2, spill=False)
LINE = Reference("string", pins=False, spill=False)
HEIGHTS = (0.45, 0.75)  # m; of the two boards
LIFT_M = 0.06  # m that a person lifts one cylinder by for the mounting yaw
LEVER = 0.7
WALK_S = 5.0  # s from a question to the answer when something had to be carried or driven
LOOK_S = 0.5  # and when it only had to be read
MARK_M = 4.0  # from mark to mark
BLOCK = 0.02  # m; how unevenly blocks lie, either way


@dataclass(frozen=True)
class Handling:
    """A person's errors. sd: 1 sigma; others either way at most."""

    heading_sd: float = math.radians(0.5)
    place_sd: float = 0.010
    contact: float = 0.0005  # the edge's height on a block
    rule: float = 0.0005  # a rule's reading
    tape: float = 0.003  # a tape's, along the blade
    level: float = math.radians(0.05)  # a digital level's
    thermometer_sd: float = 0.3  # K


class Yard:
    """`act` does what a question asks and gives the seconds that it takes; `finish` ends it.

    `reading` is what the person reads off for the question that was acted upon last.
    """

    def __init__(
        self, truth: RigTruth, side: str = "left", seed: int = 1, handling: Handling | None = None,
    ) -> None:  # fmt: skip
        self._truth, self._side, self._seed = truth, side, seed
        self._handling = handling or Handling()
        self._gen = np.random.default_rng([seed, 78])
        self._ends: Callable[[], None] = lambda: None
        self.reading: float | None = None
        self._clearance = HEIGHTS[0]
        self._tops: dict[int, Floats] = {}
        self._scene = ""
        self.rig = self.flat()

    def read(self, now_s: float) -> Sequence[AnySample]:
        """As any rig's."""
        return self.rig.read(now_s)

    def write(self, command: ValveCommand) -> None:
        """As any rig's."""
        self.rig.write(command)

    def close(self) -> None:
        """As any rig's."""
        self.rig.close()

    def flat(
        self, reference: Reference = BOARD, clearance_m: float | None = None, other_seed: int = 0
    ) -> SimulatedRig:
        """Level ground with something under the bar; other_seed: other noise of the echoes."""
        truth = self._truth
        if clearance_m is not None:
            name = f"{self._side}_bar"
            there = replace(getattr(truth, name), clearance_m=clearance_m)
            truth = replace(truth, **{name: there})
        own, other = (reference, BOARD) if self._side == "left" else (BOARD, reference)
        world = World(
            crossfall=0.0, ground="flat", ground_mean_m=0.0, left=own, right=other,
            start_lateral_m=0.0,
        )  # fmt: skip
        self._scene = "flat"
        return SimulatedRig(world, truth, self._seed + other_seed)

    def rough(self) -> SimulatedRig:
        """Rough, sloping ground."""
        world = World(crossfall=0.03, grade=0.02, ground="B", left=BOARD, right=BOARD, start_m=30.0)
        self._scene = "rough"
        self._tops = {}
        return SimulatedRig(world, self._truth, self._seed)

    def act(self, name: str, at: tuple[float, ...] = ()) -> float:
        """Do what is asked; the seconds until the person answers."""
        what, _, which = name.partition(" ")
        self._ends, self.reading = lambda: None, None
        if what in ("marks", "blocks", "mark"):
            return self._on_ground(what, which)
        if what == "lever":
            return self._lever(which == "raise")
        if what == "board" and which in ("0", "1"):
            self._clearance = HEIGHTS[int(which)]
            self.rig = self.flat(BOARD, self._clearance, 1000 * int(which))
            what = "height"
        if name == "board under the bar":
            self.rig.person.enable(True)
        if what == "line":
            self._line(*at)
            return WALK_S
        return self._read_off(what)

    def finish(self) -> None:
        """The person has answered."""
        self._ends()
        self._ends = lambda: None

    def _read_off(self, what: str) -> float:
        """A rule, a thermometer or a level."""
        gen, handling = self._gen, self._handling
        if what == "height":
            self.reading = 1e3 * (self._clearance + gen.uniform(-handling.rule, handling.rule))
        elif what == "tape":
            apart = 2.0 * self._truth.blade.cylinder_half_m
            self.reading = 1e3 * (apart + gen.uniform(-handling.tape, handling.tape))
        elif what == "air":
            self.reading = self._truth.air.start_c + handling.thermometer_sd * float(
                gen.standard_normal()
            )
        elif what == "level":
            roll = self.rig.truth().roll_rad + gen.uniform(-handling.level, handling.level)
            self.reading = 100.0 * math.tan(roll)
        return LOOK_S

    def _on_ground(self, what: str, which: str) -> float:
        """The stands of the tilt zero and of the slope check."""
        if self._scene != "rough" or (what, which) == ("marks", ""):
            self.rig = self.rough()
        if what == "mark":
            number, way = which.split()
            self._at_mark(int(number), back=way == "back")
        elif what == "marks" and which == "about":
            self._turn_about(over_blade=False)
        elif what == "blocks":
            if which == "about":
                self._turn_about(over_blade=True)
            self._lower(0, swapped=which == "about")
        return WALK_S

    def _turn_about(self, *, over_blade: bool) -> None:
        """The other way round, on the same marks or with the blade over the same place."""
        machine, gen, handling = self.rig._machine, self._gen, self._handling
        pose = machine.pose
        machine.psi += math.pi + handling.heading_sd * float(gen.standard_normal())
        if over_blade:
            self._under_blade(pose.x, pose.y)
        else:
            machine.x += float(gen.normal(0.0, handling.place_sd))
            machine.y += float(gen.normal(0.0, handling.place_sd))
        machine._settle(pose.t, pose.s)

    def _under_blade(self, x: float, y: float) -> None:
        machine, ahead = self.rig._machine, self._truth.blade.ahead_m
        machine.x = x - ahead * math.cos(machine.psi)
        machine.y = y - ahead * math.sin(machine.psi)

    def _at_mark(self, number: int, *, back: bool) -> None:
        """The blade over one of several marks along the way, edge on the mark's two blocks."""
        machine, gen, handling = self.rig._machine, self._gen, self._handling
        path = machine.design.path
        s = 30.0 + MARK_M * number
        machine.psi = path.heading(s) + (math.pi if back else 0.0)
        machine.psi += handling.heading_sd * float(gen.standard_normal())
        self._under_blade(*path.point(s, 0.0))
        machine._settle(machine.pose.t, s)
        self._lower(number, swapped=back)

    def _lower(self, place: int, *, swapped: bool) -> None:
        """Both ends onto the blocks of a place, each with its error."""
        machine, gen = self.rig._machine, self._gen
        if place not in self._tops:
            self._tops[place] = np.array(machine.z_ends) + gen.uniform(-BLOCK, BLOCK, 2)
        tops = self._tops[place][::-1] if swapped else self._tops[place]
        contact = self._handling.contact
        rise = tops + gen.uniform(-contact, contact, 2) - machine.z_ends
        lifts = machine.map.cylinders(*rise.tolist())
        machine.valves.lift = [a + b for a, b in zip(machine.valves.lift, lifts, strict=True)]
        machine._settle(machine.pose.t, machine.pose.s)

    def _lever(self, up: bool) -> float:
        """A hand on the left lever until the cylinder has gone its way."""
        v = self._truth.valves
        share = (LEVER - v.overlap) / (1.0 - v.overlap) * self._truth.valve_speed_factor
        person = self.rig.person
        person.hand("left", LEVER if up else -LEVER)
        self._ends = lambda: person.hand("left", None)
        return LIFT_M / (share * (v.up_mps if up else v.down_mps))

    def _line(self, clearance_m: float, lateral_m: float) -> None:
        """A line under the bar; lateral > 0 to the left."""
        self.rig = self.flat(LINE, clearance_m)
        machine = self.rig._machine
        machine.stand(machine.pose.t, machine.pose.s, -lateral_m)
