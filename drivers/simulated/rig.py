"""The simulated rig: all devices of one machine over one physics, behind drivers.protocols.

Time is the caller's: it begins at the first `read`, whatever that number is. Same seed and same
calls, same bytes. The physics runs in steps of 10 ms and never past the step that holds now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any

from drivers.samples import AnySample, ValveCommand
from drivers.simulated.air import Air, SimulatedAir
from drivers.simulated.build import build_bars, build_ground, raised_by
from drivers.simulated.device import AnyDevice
from drivers.simulated.driver import Person
from drivers.simulated.faults import Fault, check
from drivers.simulated.inertial import SimulatedInertial
from drivers.simulated.machine import STEP_S, Machine
from drivers.simulated.noise import generators, normals
from drivers.simulated.pose import Pose
from drivers.simulated.reference import REFERENCE, RigTruth
from drivers.simulated.slow_devices import SimulatedInputs, SimulatedMotion, SimulatedValves
from drivers.simulated.truth import Truth, observe
from drivers.simulated.world import World

TIME_SLACK_S = 1e-6  # so that now = start + k * step needs no step k + 1


class SimulatedRig:
    """A rig in a world. `person` is the driver; `truth()` is for a scorer alone."""

    def __init__(self, world: World, rig: RigTruth = REFERENCE, seed: int = 1) -> None:
        gens = generators(seed)
        design, ground = world.design(), build_ground(world, seed)
        self._rig = rig
        self.person = Person(rig.human, gens["driver"], rig.blade.ahead_m)
        raised = raised_by(world, design, ground)
        self._machine = Machine(rig, design, ground, raised, world.sign)
        self._slip = normals(gens["machine"])
        air = Air(rig.air, gens["air"], world.run_s())
        self._bars = build_bars(
            world, rig, design=design, ground=ground, raised_m=raised, air=air, gens=gens
        )
        self._inertial = SimulatedInertial("inertial", rig.inertial, gens["inertial"])
        self._air = SimulatedAir(rig.air, air, gens["air"])
        self._motion = SimulatedMotion(rig.motion, gens["motion"])
        self._inputs = SimulatedInputs(rig.human, self.person)
        self._valves = SimulatedValves(self._machine.valves)
        own: tuple[AnyDevice, ...] = (
            *self._bars.values(),
            self._inertial,
            self._air,
            self._motion,
            self._inputs,
        )
        self._sources = own
        self.devices: Mapping[str, AnyDevice | SimulatedValves] = {
            **{d.name: d for d in own},
            "valves": self._valves,
        }
        for device in own:
            device.advance = self._advance
        self._start_s: float | None = None
        self._steps = 0
        self._broken = False  # a fault was injected, active or not
        self._stand(world, gens["start"].uniform(-1.0, 1.0) * world.start_lateral_m)

    def read(self, now_s: float) -> Sequence[AnySample]:
        """Advance to now; everything that has become readable, oldest arrival first."""
        self._advance(now_s)
        ready = [item for device in self._sources if device.queue for item in device.due(now_s)]
        ready.sort(key=itemgetter(0))
        return [sample for _, sample in ready]

    def write(self, command: ValveCommand, at_s: float | None = None) -> None:
        """Command the valves, now or at the time of a read that is no longer ago than `deaf_s`."""
        self._valves.write(command, at_s)

    @property
    def deaf_s(self) -> float:
        """s from a command until it can change anything that is read."""
        return self._machine.valves.dead_s

    def close(self) -> None:
        """Let go: both valves shut."""
        self._valves.neutral(self._valves.now_s)

    def valve_output(self, now_s: float) -> tuple[float, float]:
        """What drives the valves at this moment, their lease applied, -1..1."""
        return self._valves.output(now_s)

    @property
    def pose(self) -> Pose:
        """Of the blade now; for stand-ins on wires, as for `truth`."""
        return self._machine.pose

    def truth(self) -> Truth:
        """Where everything really is."""
        return observe(self._machine, self._bars)

    def inject(self, kind: str, device: str, start_s: float, end_s: float, **values: Any) -> None:
        """Break a device from start to end, seconds since the first read (see faults.py)."""
        if device not in self.devices:
            raise ValueError(f"no device {device!r}, only {', '.join(self.devices)}")
        check(kind, device)
        self._broken = True
        self.devices[device].faults.add(Fault(kind, start_s, end_s, values))

    def _stand(self, world: World, lateral_m: float) -> None:
        path = self._machine.design.path
        s = world.start_m if world.sign > 0.0 else path.length - world.start_m
        self._machine.stand(0.0, s, lateral_m, world.start_above_m)
        self.person.in_bend(path.curvature(s) * world.sign)

    def _advance(self, now_s: float) -> None:
        """Step the physics until it holds now."""
        if self._start_s is None:
            self._start_s = self._valves.start_s = now_s
            self._machine.begin(now_s)
            self._air.step(now_s, now_s)
            self._motion.step(now_s, now_s, 0.0, 0.0)
            self._inputs.step(now_s, now_s)
        self._valves.now_s = max(self._valves.now_s, now_s)
        while self._machine.pose.t < now_s - TIME_SLACK_S:
            self._step(self._start_s)

    def _step_faults(self, since: float) -> None:
        for device in self.devices.values():
            device.faults.step(since)
        self._valves.step()

    def _step(self, start: float) -> None:
        self._steps += 1
        t = start + self._steps * STEP_S
        if self._broken:
            self._step_faults(t - start)
        before = self._machine.pose
        self._machine.step(t, self.person, next(self._slip))
        pose = self._machine.pose
        for bar in self._bars.values():
            bar.step(start, before, pose)
        self._inertial.step(start, before, pose)
        self._air.step(start, t)
        self._motion.step(start, t, self._machine.speed, self._machine.travelled)
        self._inputs.step(start, t)
