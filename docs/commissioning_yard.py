"""Random simulated rigs and a person who commissions them: the yard of docs/commissioning_map.py.

The procedures of firmware_py/commission/ get samples and time, as a command would give them. What
the simulated rig truly is goes to the comparison alone. Whatever a procedure states as a type B
term is drawn here as an error: heights misread, marks missed, a gyro and echoes off their scale.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from drivers.samples import AirSample, AnySample, Echo, InertialSample, RangePing, ValveCommand
from drivers.simulated.acoustics import sound_speed
from drivers.simulated.inertial import Errors
from drivers.simulated.noise import generators
from drivers.simulated.reference import REFERENCE, G, RigTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World
from firmware_py.commission import bar, tilt, valve_steps, valves
from firmware_py.commission.estimate import Estimate, Floats
from firmware_py.commission.procedure import Procedure
from firmware_py.messages import SIDES
from firmware_py.sense.mount import ROCKS
from firmware_py.sense.ranging import element_positions

R = TypeVar("R")
TICK_S = 0.01
START_S = 100.0  # s on the clock at the first look
HEIGHTS = (0.45, 0.75)  # m
PARTS = ("tilt", "bar", "valves")
BOARD = Reference("edge", width_m=1.2, spill=False)
LIFT_M = 0.06  # m that a person lifts one cylinder by for the mounting yaw
LEVER = 0.7


@dataclass(frozen=True)
class Case:
    """One rig as it truly is, and what nobody who commissions it knows."""

    seed: int
    rig: RigTruth
    gyro_scale: float
    offsets: tuple[float, ...]  # m, of each element
    scales: tuple[float, ...]
    air_off_k: float
    board_scale: float  # of ranges once calibrated
    place_off_m: float
    rocks: float  # pitch per roll while a cylinder lifts: the tracks give way


@dataclass(frozen=True)
class Found:
    """One estimate beside the truth."""

    kind: str
    estimate: Estimate
    true: float

    @property
    def off(self) -> float:
        """Error; of a speed as a share of it."""
        off = self.estimate.value - self.true
        return off / self.true if self.kind == "speed" else off

    @property
    def u(self) -> float:
        return self.estimate.u / (self.true if self.kind == "speed" else 1.0)


def case(seed: int) -> Case:
    """A random rig. Dead times are whole steps of the simulated physics, 10 ms."""
    gen = np.random.default_rng([seed, 77])

    def between(low: float, high: float) -> float:
        return float(gen.uniform(low, high))

    valve = replace(
        REFERENCE.valves, up_mps=between(0.06, 0.12), down_mps=between(0.08, 0.15),
        overlap=between(0.05, 0.22), dead_time_s=0.01 * int(gen.integers(5, 17)),
        lag_s=between(0.03, 0.10),
    )  # fmt: skip
    blade = replace(REFERENCE.blade, width_m=between(1.5, 2.1), cylinder_half_m=between(0.5, 0.7))
    echo = replace(REFERENCE.left_bar, noise_m=between(0.0007, 0.0015), dropout=between(0.02, 0.1))
    inertial = replace(
        REFERENCE.inertial, yaw_rad=math.radians(1.5) * float(gen.standard_normal()),
        accel_bias=5e-3 * G, warm_up_k=between(5.0, 20.0),
    )  # fmt: skip
    rig = replace(
        REFERENCE, blade=blade, left_bar=echo, inertial=inertial, valves=valve,
        air=replace(REFERENCE.air, start_c=between(5.0, 30.0)),
        valve_speed_factor=between(0.85, 1.2), extra_dead_time_s=0.01 * int(gen.integers(0, 5)),
    )  # fmt: skip
    return Case(
        seed, rig, 1.0 + between(-0.01, 0.01), tuple((0.002 * gen.standard_normal(5)).tolist()),
        tuple((1.0 + 0.003 * gen.standard_normal(5)).tolist()),
        bar.AIR_U * float(gen.standard_normal()),
        1.0 + valves.ECHO_SCALE_U * float(gen.standard_normal()),
        valves.PLACE_U * float(gen.standard_normal()), ROCKS * float(gen.standard_normal()),
    )  # fmt: skip


@dataclass(frozen=True)
class Act:
    """A person's answer, given so long after the question; then `after` is done."""

    said: str | float
    pause_s: float
    after: Callable[[], None] = lambda: None


class Yard:
    """A simulated rig with a person: reads, distorts, hands on, writes."""

    def __init__(self, rig: SimulatedRig, distort: Callable[[AnySample], AnySample]) -> None:
        self.rig, self._distort, self.now_s, self._tick = rig, distort, START_S, 0

    def run(self, procedure: Procedure[R], act: Callable[[Yard, str], Act]) -> R:
        """Run it to its end; `act` is called as each question comes up. Errors are raised."""
        pending: tuple[float, Act] | None = None
        while not procedure.done:
            said = None
            if procedure.next.ask and pending is None:
                pending = self.now_s, act(self, procedure.next.words)
            if pending is not None and self.now_s - pending[0] > pending[1].pause_s:
                said = pending[1].said
                pending[1].after()
                pending = None
            self.now_s = START_S + TICK_S * self._tick
            self._tick += 1
            samples = [self._distort(s) for s in self.rig.read(self.now_s)]
            after = procedure.step(self.now_s, samples, said)
            self.rig.write(ValveCommand(self.now_s, *after.valves))
        if procedure.error is not None:
            raise procedure.error
        assert procedure.result is not None
        return procedure.result


def distorted(c: Case, scales: Sequence[float], offsets: Sequence[float]) -> Callable[..., Any]:
    """What the case's sensors make of a sample."""

    def change(s: AnySample) -> AnySample:
        if isinstance(s, InertialSample):
            return msgspec.structs.replace(s, gx=s.gx * c.gyro_scale, gy=s.gy * c.gyro_scale)
        if isinstance(s, RangePing):
            late = 2.0 * offsets[s.element] / sound_speed(c.rig.air.start_c)
            echoes = tuple(Echo(e.time_s, e.flight_s * scales[s.element] + late) for e in s.echoes)
            return msgspec.structs.replace(s, echoes=echoes)
        if isinstance(s, AirSample) and s.temperature_c is not None:
            return msgspec.structs.replace(s, temperature_c=s.temperature_c + c.air_off_k)
        return s

    return change


class Ground:
    """What the person does on rough, sloping ground for the four stands of the tilt zero."""

    def __init__(self, c: Case) -> None:
        world = World(crossfall=0.03, grade=0.02, ground="B", left=BOARD, start_m=30.0)
        self.rig = SimulatedRig(world, c.rig, c.seed)
        self.gen = np.random.default_rng([c.seed, 78])
        self.ahead = c.rig.blade.ahead_m
        self.calls: list[float] = []
        self.tops = np.zeros(2)  # m, of the blocks

    def act(self, yard: Yard, _words: str) -> Act:
        """Before each stand; the machine is put where a driver would have driven it."""
        self.calls.append(yard.now_s + 5.0)
        machine = self.rig._machine  # no cue leads a driver there
        turn = math.pi + tilt.HEADING_U * float(self.gen.standard_normal())
        number = len(self.calls)
        if number == 2:
            machine.psi += turn
            machine.x += float(self.gen.normal(0.0, 0.01))
            machine.y += float(self.gen.normal(0.0, 0.01))
        elif number == 3:
            self.tops = machine.z_ends + self.gen.uniform(-0.02, 0.02, 2)
            self._lower(self.tops)
        elif number == 4:
            x, y = machine.pose.x, machine.pose.y  # the blade's, which stays over the blocks
            machine.psi += turn
            machine.x = x - self.ahead * math.cos(machine.psi)
            machine.y = y - self.ahead * math.sin(machine.psi)
            machine._settle(machine.pose.t, machine.pose.s)
            self._lower(self.tops[::-1])
        return Act("ready", 5.0)

    def _lower(self, tops: Floats) -> None:
        """Both ends onto their blocks, each with its error."""
        machine = self.rig._machine
        rise = tops + self.gen.uniform(-0.0005, 0.0005, 2) - machine.z_ends
        lifts = machine.map.cylinders(*rise.tolist())
        machine.valves.lift = [a + b for a, b in zip(machine.valves.lift, lifts, strict=True)]


def tilts(c: Case) -> Iterator[Found]:
    """The mounting yaw by the levers, then the tilt zero by reversal."""
    turned = yaw(c)
    yield Found("mounting yaw", turned, c.rig.inertial.yaw_rad)
    ground = Ground(c)
    yard = Yard(ground.rig, distorted(c, (1.0,) * 5, (0.0,) * 5))
    steps = tilt.zero_steps(c.rig.blade.width_m, turned.value)
    zero = yard.run(Procedure(steps), ground.act)
    t = c.rig.inertial
    sensor = Errors(t, generators(c.seed)["inertial"])
    for one, axis, sign, calls in ((zero.roll, 1, 1.0, (2, 3)), (zero.pitch, 0, -1.0, (0, 1))):
        since = np.mean([ground.calls[k] + 0.5 * tilt.STILL_S - START_S for k in calls])
        warm = t.warm_up_k * -math.expm1(-float(since) / t.warm_up_s)
        x, y = (sensor._bias + sensor._per_k * warm)[:2]
        m = turned.value
        level = x * math.cos(m) - y * math.sin(m), x * math.sin(m) + y * math.cos(m)
        yield Found("tilt zero", one, sign * math.asin(level[axis] / G))


def yaw(c: Case) -> Estimate:
    """The mounting yaw, by levers that lift the left cylinder by LIFT_M."""
    rig = SimulatedRig(World(crossfall=0.0, ground="flat", left=BOARD), c.rig, c.seed)
    v = c.rig.valves
    share = (LEVER - v.overlap) / (1.0 - v.overlap) * c.rig.valve_speed_factor

    def lift(yard: Yard, words: str) -> Act:
        if "left end" not in words:
            return Act("ready", 1.0)
        up = words.startswith("Raise")
        yard.rig.person.hand("left", LEVER if up else -LEVER)
        seconds = LIFT_M / (share * (v.up_mps if up else v.down_mps))
        return Act("ready", seconds, lambda: yard.rig.person.hand("left", None))

    def rocking(s: AnySample) -> AnySample:
        s = distorted(c, (1.0,) * 5, (0.0,) * 5)(s)
        if isinstance(s, InertialSample):
            return msgspec.structs.replace(s, gy=s.gy + c.rocks * s.gx)
        return s

    return Yard(rig, rocking).run(Procedure(tilt.yaw_steps()), lift)


def bars(c: Case) -> Iterator[Found]:
    """Bar zero and scale; the person misreads each height by up to half a millimetre."""
    gen = np.random.default_rng([c.seed, 79])
    procedure = Procedure(bar.bar_steps("bar.left", 5))
    rigs = []
    for k, height in enumerate(HEIGHTS):
        look = replace(c.rig, left_bar=replace(c.rig.left_bar, clearance_m=height))
        world = World(crossfall=0.0, ground="flat", left=BOARD)
        rigs.append(SimulatedRig(world, look, c.seed + 1000 * k))
    heights = iter(zip(rigs, HEIGHTS, strict=True))
    yard = Yard(rigs[0], distorted(c, c.scales, c.offsets))

    def type_in(yard: Yard, _words: str) -> Act:
        yard.rig, height = next(heights)
        return Act(1e3 * height + float(gen.uniform(-0.5, 0.5)), 0.5)

    result = yard.run(procedure, type_in)
    for one, scale, offset in zip(result.elements, c.scales, c.offsets, strict=True):
        middle = 0.5 * sum(HEIGHTS)
        yield Found("bar zero", one.zero, middle * (scale - 1.0) + offset)
        yield Found("bar scale", one.scale, scale)


def valve_finds(c: Case) -> Iterator[Found]:
    """The valves, by small steps."""
    rig, v = c.rig, c.rig.valves
    echo = rig.left_bar
    assert echo is not None
    world = World(crossfall=0.0, ground="flat", left=BOARD, ground_mean_m=0.0)
    yard = Yard(SimulatedRig(world, rig, c.seed), distorted(c, (c.board_scale,) * 5, (0.0,) * 5))
    half = 0.5 * rig.blade.width_m
    place = valves.BarPlace(
        half + echo.outside_m + c.place_off_m, echo.clearance_m + BOARD.height_m,
        element_positions(echo.elements, echo.spacing_m),
    )  # fmt: skip
    steps = valve_steps.valve_steps("bar.left", place, half)
    found = yard.run(Procedure(steps), lambda _yard, _words: Act("yes", 0.5))
    up, down = (rig.valve_speed_factor * s for s in (v.up_mps, v.down_mps))
    for side in SIDES:
        one = found.valves[side]
        yield Found("overlap", one.overlap_up, v.overlap)
        yield Found("overlap", one.overlap_down, v.overlap)
        yield Found("speed", one.up, up)
        yield Found("speed", one.down, down)
        yield Found("dead time", one.dead_time, v.dead_time_s + rig.extra_dead_time_s)
        yield Found("lag", one.lag, v.lag_s)
        yield Found("cylinder", one.cylinder, rig.blade.cylinder_half_m)
        yield Found("asymmetry", one.asymmetry, down / up)


def commission(seed: int, parts: Sequence[str] = PARTS) -> list[Found]:
    """One rig, from end to end."""
    makers = {"tilt": tilts, "bar": bars, "valves": valve_finds}
    c = case(seed)
    return [found for part in parts for found in makers[part](c)]
