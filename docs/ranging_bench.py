"""A bench for the ranging alone: the simulated devices of one machine on a carriage that is led.

The blade keeps a stated clearance and lateral over its reference, rolled as the job's crossfall
has it, creeping along. All else is the simulated rig's: string with sag and pins, spill, ground,
echo errors, inertial noise, air. The controller is the real one; the truth stays on this side.
"""

from __future__ import annotations

import math
from itertools import count
from typing import NamedTuple

from drivers.samples import AnySample, RangePing
from drivers.simulated.air import Air, SimulatedAir
from drivers.simulated.build import build_bars, build_ground, raised_by
from drivers.simulated.inertial import SimulatedInertial
from drivers.simulated.machine import STEP_S
from drivers.simulated.noise import generators
from drivers.simulated.pose import Pose
from drivers.simulated.slow_devices import SimulatedMotion
from firmware_py.controller import Controller
from firmware_py.fuse.track import Track
from firmware_py.messages import Link, Side
from firmware_py.settings import Rig
from firmware_py.trial.scenario import Beside, Scenario
from firmware_py.trial.setup import rig_for, rig_named, truth_for, world_for

PATH_M = 160.0
START_M = (3.0, 40.0)  # of the path: the blade's chainage at first, by chance
ROLL = 0.02  # rad; the crossfall of a path
CREEP = 0.2  # m/s
PULL_OFF = 0.4  # m/s2
WARM_S = 2.0  # until the tilt has settled
GIVE_UP_S = 2.0  # a cold start without an answer by then has none


class Setup(NamedTuple):
    """Where a bench stands. mm, m/s."""

    clearance_mm: float = 600.0
    lateral_mm: float = 0.0
    rig: str = "reference"
    kind: str = "string"
    width_mm: float = 120.0
    speed_mps: float = CREEP
    cut: bool = False  # the string is gone: only ground and spill are left in view


class Start(NamedTuple):
    """One cold start. after_s: first ping to tracking, None: no answer; errors at that moment."""

    after_s: float | None
    clearance_m: float
    lateral_m: float


class Bench:
    """`step` is one tick; `errors` is what a scorer knows."""

    def __init__(self, setup: Setup, seed: int) -> None:
        self.setup = setup
        beside = Beside(kind=setup.kind, clearance_mm=setup.clearance_mm,
                        height_mm=0.0 if setup.kind == "strip" else 150.0,
                        width_mm=setup.width_mm)  # fmt: skip
        scenario = Scenario(name="bench", words="-", path=[{"length_m": PATH_M}], left=beside)
        self.rig: Rig = rig_for(scenario, rig_named(setup.rig))
        truth, world = truth_for(scenario, self.rig), world_for(scenario)
        gens, self.design = generators(seed), world.design()
        ground = build_ground(world, seed)
        air = Air(truth.air, gens["air"], world.run_s())
        self.bar = build_bars(
            world, truth, design=self.design, ground=ground,
            raised_m=raised_by(world, self.design, ground), air=air, gens=gens,
        )["left"]  # fmt: skip
        self.motion = SimulatedMotion(truth.motion, gens["motion"])
        self.inertial = SimulatedInertial("inertial", truth.inertial, gens["inertial"])
        self.air = SimulatedAir(truth.air, air, gens["air"])
        self.s = float(gens["start"].uniform(*START_M))
        self.ticks = count(1)
        self.now = self.travelled = self.speed = 0.0
        self.pose = self._pose(0.0)
        if setup.cut:
            self.bar.view.target.ranges = lambda *_: None  # type: ignore[method-assign]
        self.controller = Controller(self.rig)
        self.pings: list[RangePing] = []

    @property
    def track(self) -> Track:
        return self.controller.blade.tracks[Side.LEFT]

    def _pose(self, t: float) -> Pose:
        """The blade where its bar has the stated clearance and lateral over the nominal line."""
        c, y = self.setup.clearance_mm * 1e-3, self.setup.lateral_mm * 1e-3
        target, (cos, sin) = self.bar.view.target, (math.cos(ROLL), math.sin(ROLL))
        z_ref = self.design.height(self.s, target.n_ref) + target.height_m
        out, up = self.bar.out_m, self.bar.up_m
        n = target.n_ref - (y + c * sin) / cos - out * cos + up * sin
        z = z_ref + c - out * sin - up * cos
        return Pose(t, self.s, n, z, 0.0, 0.0, ROLL, self.s, self.speed)

    def errors(self) -> tuple[float, float]:
        """Estimated less true vertical clearance, and lateral, m."""
        target, p = self.bar.view.target, self.pose
        cos, sin = math.cos(ROLL), math.sin(ROLL)
        n, z = target.stands(p.s)
        mid_n = p.y + self.bar.out_m * cos - self.bar.up_m * sin
        mid_z = p.z + self.bar.out_m * sin + self.bar.up_m * cos
        lateral = (n - mid_n) * cos + (z - mid_z) * sin
        f = self.track.filter
        if target.surface:  # the strip right below, and no lateral
            return f.h - (mid_z - self.design.height(p.s, mid_n)), 0.0
        return f.h - (mid_z - z), f.y - lateral

    def step(self) -> None:
        """Advance the carriage by one step, and the controller with what has become readable."""
        self.now = t = next(self.ticks) * STEP_S
        self.speed = min(self.speed + PULL_OFF * STEP_S, self.setup.speed_mps)
        self.s += self.speed * STEP_S
        self.travelled += self.speed * STEP_S
        if self.s > PATH_M:
            raise ValueError(
                f"the bench has run past its path of {PATH_M} m; ask for a shorter run"
            )
        before, self.pose = self.pose, self._pose(t)
        self.bar.step(0.0, before, self.pose)
        self.inertial.step(0.0, before, self.pose)
        self.motion.step(0.0, t, self.speed, self.travelled)
        self.air.step(0.0, t)
        ready = [
            item
            for device in (self.air, self.motion, self.inertial, self.bar)
            for item in device.due(t)
        ]
        samples: list[AnySample] = [s for _, s in sorted(ready, key=lambda item: item[0])]
        self.pings = [s for s in samples if isinstance(s, RangePing)]
        self.controller.step(t, samples)

    def warm(self) -> None:
        while self.now < WARM_S:
            self.step()

    def cold_start(self, give_up_s: float = GIVE_UP_S) -> Start:
        """Forget the reference and wait for it to be found."""
        track = self.track
        track.reset()
        first: float | None = None
        begun = self.now
        while self.now - begun < give_up_s:
            self.step()
            if first is None and self.pings:
                first = self.pings[0].time_s
            if track.link is Link.TRACKING and first is not None:
                return Start(self.now - first, *self.errors())
        return Start(None, math.nan, math.nan)

    def settle(self) -> bool:
        """Find the reference and let the filter come to rest; False when it is not found."""
        for _ in range(3):
            if self.cold_start().after_s is not None:
                self.run(2.0)
                return True
        return False

    def pin_m(self) -> float:
        """Distance to the nearest pin along the job, m."""
        pins = getattr(self.bar.view.target, "s", [math.inf])
        return min(abs(s - self.pose.s) for s in pins)

    def run(self, seconds: float) -> list[tuple[float, float]]:
        """Errors of each tick of a run in which the reference is known."""
        out, end = [], self.now + seconds
        while self.now < end:
            self.step()
            if self.track.known():
                out.append(self.errors())
        return out
