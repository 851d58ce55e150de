"""Motion sensor, driver's inputs and the valves' electronics of the simulated rig.

Speed > 0 forward; distance is the signed sum. Valve command > 0 raises, -1..1.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.samples import OK, DriverSample, MotionSample, Sample, ValveCommand
from drivers.simulated.device import Device
from drivers.simulated.driver import Person
from drivers.simulated.faults import FaultList
from drivers.simulated.hydraulics import Hydraulics
from drivers.simulated.noise import normals
from drivers.simulated.reference import HumanTruth, MotionTruth

CLOCK_SLACK_S = 0.05  # a command's own time counts when it lies this close after the last read


class SimulatedMotion(Device[MotionSample]):
    """Speed with noise, distance without."""

    def __init__(self, truth: MotionTruth, gen: np.random.Generator) -> None:
        super().__init__("motion")
        self._truth, self._noise = truth, normals(gen)
        self._count = 0

    def step(self, start_s: float, end_s: float, speed: float, distance: float) -> None:
        """Readings up to end_s."""
        while (t := start_s + self._count / self._truth.rate_hz) <= end_s + 1e-9:
            self._count += 1
            seen = speed + self._truth.noise_mps * next(self._noise)
            sample = MotionSample(self.name, t, OK, seen, distance)
            self.emit(t + self._truth.latency_s, sample)


class SimulatedInputs(Device[DriverSample]):
    """The enable input and the switches on the levers."""

    def __init__(self, truth: HumanTruth, person: Person) -> None:
        super().__init__("driver")
        self._rate, self._person = truth.inputs_hz, person
        self._count = 0

    def step(self, start_s: float, end_s: float) -> None:
        """Readings up to end_s."""
        while (t := start_s + self._count / self._rate) <= end_s + 1e-9:
            self._count += 1
            left, right = self._person.hands
            self.emit(t, DriverSample(
                self.name, t, OK, self._person.enabled, left is not None,
                right is not None,
            ))  # fmt: skip


class SimulatedValves:
    """Takes commands; what is no number is neutral, what is too large is full."""

    def __init__(self, hydraulics: Hydraulics) -> None:
        self.name = "valves"
        self.faults: FaultList[Sample] = FaultList()
        self._hydraulics, self._faulty = hydraulics, False
        self.now_s = -math.inf
        self.start_s = 0.0  # of the rig's first read
        self.last: ValveCommand | None = None
        self.heard_s = -math.inf

    def write(self, command: ValveCommand, at_s: float | None = None) -> None:
        """Send a command, now or at at_s; it holds for one lease."""
        t = self.now_s if at_s is None else at_s
        self.last, self.heard_s = command, t
        if self.faults.at("unplug", t - self.start_s):
            return
        if t == -math.inf or t < command.time_s <= t + CLOCK_SLACK_S:
            t = command.time_s
        left, right = (v if math.isfinite(v) else 0.0 for v in (command.left, command.right))
        self._hydraulics.write(t, left, right)

    def neutral(self, now_s: float) -> None:
        """Shut both valves."""
        self.write(ValveCommand(now_s, 0.0, 0.0))

    def output(self, now_s: float) -> tuple[float, float]:
        """What the valves are driven with: the last command while its lease lasts, else 0."""
        if self.last is None or now_s - self.heard_s > self._hydraulics.lease_s:
            return 0.0, 0.0
        left, right = (
            min(max(v, -1.0), 1.0) if math.isfinite(v) else 0.0
            for v in (self.last.left, self.last.right)
        )
        return left, right

    def step(self) -> None:
        """Pass injected faults on to the oil."""
        if not self.faults.active and not self._faulty:
            return
        shut, away = self.faults.find("valve_shut"), self.faults.find("valve_runaway")
        for i, end in enumerate(("left", "right")):
            self._hydraulics.shut[i] = shut is not None and shut.values.get("end", end) == end
            mine = away is not None and away.values.get("end", end) == end
            self._hydraulics.runaway[i] = float(away.values["rate"]) if away and mine else None
        self._faulty = bool(self.faults.active)
