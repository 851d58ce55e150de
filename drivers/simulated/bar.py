"""A simulated bar of range elements over its reference. Element 0 is right (rear, if turned)."""

from __future__ import annotations

import math

import numpy as np

from drivers.samples import Echo, RangePing, Validity
from drivers.simulated.acoustics import EchoErrors, first_arrivals, sound_speed
from drivers.simulated.air import Air
from drivers.simulated.beam import Beam
from drivers.simulated.device import Device
from drivers.simulated.footprint import Footprint, element_offsets
from drivers.simulated.heaps import Heaps
from drivers.simulated.path import Design
from drivers.simulated.pose import Pose, Vec, axes, between
from drivers.simulated.reference import BarTruth
from drivers.simulated.scene import Target

SECOND_BAR_S = 0.004  # the right bar fires between the left bar's elements (chosen)


class View:
    """What stands under one bar: the reference, heaps beside it, and the ground."""

    def __init__(self, target: Target, heaps: Heaps | None, ground: Footprint) -> None:
        self.target, self.heaps, self.ground = target, heaps, ground


class SimulatedBar(Device[RangePing]):
    """Fires one element after the other, each seen from where the blade is at that instant."""

    def __init__(
        self,
        side: str,
        truth: BarTruth,
        *,
        half_width_m: float,
        design: Design,
        view: View,
        air: Air,
        gen: np.random.Generator,
        run_s: float,
    ) -> None:
        super().__init__(f"bar.{side}")
        self.truth, self.view, self._design, self._air = truth, view, design, air
        self.out_m = (half_width_m + truth.outside_m) * (1.0 if side == "left" else -1.0)
        self.up_m = truth.clearance_m + view.target.height_m  # above the cutting edge
        self.offsets = element_offsets(truth)
        self._from_middle = sorted(self.offsets, key=abs)  # the likelier ones first
        self._errors = EchoErrors(truth, gen, run_s)
        self._cos_half = math.cos(truth.half_angle_rad)
        self._offset_s = 0.0 if side == "left" else SECOND_BAR_S
        self._count = 1
        self._ground: list[float] = []
        self._expected_z: list[float] = []
        self._sound = 0.0
        self.by_itself = True  # False: only `hear` fires, as the driver of a bought bar does

    def middle(self, pose: Pose, directions: tuple[Vec, Vec, Vec]) -> Vec:
        """The bar's middle in the world."""
        _, left, up = directions
        out, high = self.out_m, self.up_m
        return (
            pose.x + out * left[0] + high * up[0],
            pose.y + out * left[1] + high * up[1],
            pose.z + out * left[2] + high * up[2],
        )

    def step(self, start_s: float, a: Pose, b: Pose) -> None:
        """Firings with times in (a.t, b.t]."""
        if not self.by_itself:
            return
        interval = self.truth.interval_s
        first = start_s + self._offset_s
        while (t := first + self._count * interval) <= b.t + 1e-9:
            element = (self._count - 1) % self.truth.elements
            self._count += 1
            self._fire(t, t - start_s, element, between(a, b, t))

    def _fire(self, t: float, since: float, element: int, pose: Pose) -> None:
        listen, latency = self.truth.listen_s, self.truth.latency_s
        echoes = tuple(Echo(t + 0.5 * f, f) for f in self.hear(since, element, pose))
        due = t + latency + (echoes[-1].flight_s * 0.5 if echoes else 0.5 * listen)
        validity = Validity.OK if echoes else Validity.NOTHING
        self.emit(due, RangePing(self.name, t, validity, element, echoes))

    def hear(self, since: float, element: int, pose: Pose) -> list[float]:
        """One firing of one element from this pose, so long after the start: flights, s."""
        directions = axes(pose)
        mid = self.middle(pose, directions)
        along = directions[0 if self.truth.turned else 1]
        if element == 0 or not self._ground:
            self._look_down(since, pose, mid, along)
        y = self.offsets[element]
        e = (mid[0] + y * along[0], mid[1] + y * along[1], mid[2] + y * along[2])
        if self._errors.silent(since, element):
            return []
        ranges = self._ranges(e, directions[2], pose.s, element)
        return [f for f in self._errors.flights(ranges, self._sound) if f <= self.truth.listen_s]

    def _look_down(self, since: float, pose: Pose, mid: Vec, along: Vec) -> None:
        """Once a frame: the ground under all elements, and the air."""
        frame = self._design.path.locate(mid[0], mid[1], pose.s)
        self._ground = self.view.ground.ranges(mid, pose, frame, along)
        self._expected_z = [mid[2] + y * along[2] for y in self.offsets]
        self._sound = sound_speed(self._air.true_c(since))

    def _ranges(self, e: Vec, up: Vec, s: float, element: int) -> list[float]:
        """True first arrivals at this firing, nearest first."""
        beam = Beam(e, (-up[0], -up[1], -up[2]), self._cos_half)
        # the blade has moved up or down since the frame's look at the ground
        out = [self._ground[element] + e[2] - self._expected_z[element]]
        if self.truth.reflector_m is not None and element == self.truth.reflector_element:
            out.append(self.truth.reflector_m)
        view, faults = self.view, self.faults
        if not faults.active or faults.find("reference_gone") is None:
            view.target.ranges(beam, s, out)
        if view.heaps is not None:
            view.heaps.ranges(beam, s, out)
        if faults.active and (block := faults.find("block")) is not None:
            at = float(block.values.get("at", 0.3))
            out = [at, *(r for r in out if r < at)]
        return first_arrivals(out, self.truth.merge_m, self.truth.max_echoes)

    def sees(self, pose: Pose, directions: tuple[Vec, Vec, Vec], mid: Vec) -> bool:
        """Whether any element's beam holds the reference now (a strip always is); mid: `middle`."""
        target, up = self.view.target, directions[2]
        if target.surface:
            return True
        along = directions[0 if self.truth.turned else 1]
        a, out = (-up[0], -up[1], -up[2]), list[float]()
        for y in self._from_middle:
            e = (mid[0] + y * along[0], mid[1] + y * along[1], mid[2] + y * along[2])
            target.ranges(Beam(e, a, self._cos_half), pose.s, out)
            if out:
                return True
        return False
