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
from drivers.simulated.yard import BOARD, HEIGHTS, WALK_S, Yard
from firmware_py.commission import bar, on_off_steps, tilt, valve_record, valve_steps
from firmware_py.commission.estimate import Estimate
from firmware_py.commission.procedure import Next, Steps
from firmware_py.commission.runner import SimulatedBench, play
from firmware_py.commission.valves import ValveMap
from firmware_py.messages import SIDES, Side
from firmware_py.sense.mount import ROCKS
from firmware_py.sense.ranging import element_positions

R = TypeVar("R")
PARTS = ("tilt", "bar", "valves")
ON_OFF = "on-off"  # the part that has on/off valves in place of proportional ones


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
    clock_off_s: float  # of the gyro's times against the commands'
    middle_off_m: float  # the cylinders' middle is so far left of the blade's
    sample_off_s: float  # what a gyro sample stands for, against the mean since the one before


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
    half = 0.5 / inertial.rate_hz
    return Case(
        seed, rig, 1.0 + between(-0.01, 0.01), tuple((0.002 * gen.standard_normal(5)).tolist()),
        tuple((1.0 + 0.003 * gen.standard_normal(5)).tolist()),
        bar.AIR_U * float(gen.standard_normal()),
        1.0 + valve_record.ECHO_SCALE_U * float(gen.standard_normal()),
        valve_record.PLACE_U * float(gen.standard_normal()), ROCKS * float(gen.standard_normal()),
        between(-0.001, 0.001), between(-0.003, 0.003), float(gen.triangular(-half, 0.0, half)),
    )  # fmt: skip


def on_off(c: Case) -> Case:
    """The same rig with on/off valves; no time of theirs goes into the physics' steps."""
    gen = np.random.default_rng([c.seed, 79])

    def both(low: float, high: float) -> tuple[float, float]:
        up, down = gen.uniform(low, high, 2).tolist()
        return up, down

    valves = replace(
        c.rig.valves, on_off=True, pull_in_s=both(0.015, 0.070), let_go_s=both(0.010, 0.050),
        dead_time_s=float(gen.uniform(0.02, 0.12)),
    )  # fmt: skip
    return replace(c, rig=replace(c.rig, valves=valves))


class Bench:
    """The product's yard with the case's sensors, and a person who answers at once."""

    def __init__(self, yard: Yard, distort: Callable[[AnySample], AnySample]) -> None:
        self.yard, self._distort = yard, distort
        self._bench = SimulatedBench(self, self)
        self.calls: list[tuple[float, str]] = []
        self.reading: float | None = None

    def run(self, steps: Steps[R]) -> R:
        """Play it to its end. Errors are raised."""
        return play(steps, self._bench)

    def read(self, now_s: float) -> list[AnySample]:
        return [self._distort(s) for s in self.yard.read(now_s)]

    def write(self, command: ValveCommand) -> None:
        self.yard.write(command)

    def close(self) -> None:
        self.yard.close()

    def act(self, name: str, at: tuple[float, ...]) -> float:
        takes = self.yard.act(name, at)
        self.reading = self.yard.reading
        self.calls.append((self._bench.now_s + takes, name))
        return takes

    def finish(self) -> None:
        self.yard.finish()

    def ask(self, asked: Next, offer: float | None) -> str | float:
        if asked.ask == "number":
            assert offer is not None
            return offer
        return "yes" if asked.ask == "confirm" else "ready"

    def begin(self, asked: Next) -> None:
        """Only a live rig's person is asked so."""

    def poll(self, asked: Next | None) -> str | float | None:
        return None


def distorted(c: Case, scales: Sequence[float], offsets: Sequence[float]) -> Callable[..., Any]:
    """What the case's sensors make of a sample."""

    def change(s: AnySample) -> AnySample:
        if isinstance(s, InertialSample):
            at = s.time_s + c.clock_off_s + c.sample_off_s
            return msgspec.structs.replace(
                s, time_s=at, gx=s.gx * c.gyro_scale, gy=s.gy * c.gyro_scale
            )
        if isinstance(s, RangePing):
            late = 2.0 * offsets[s.element] / sound_speed(c.rig.air.start_c)
            echoes = tuple(Echo(e.time_s, e.flight_s * scales[s.element] + late) for e in s.echoes)
            return msgspec.structs.replace(s, echoes=echoes)
        if isinstance(s, AirSample) and s.temperature_c is not None:
            return msgspec.structs.replace(s, temperature_c=s.temperature_c + c.air_off_k)
        return s

    return change


def tilts(c: Case) -> Iterator[Found]:
    """The mounting yaw by the levers, then the tilt zero by reversal."""
    turned = yaw(c)
    yield Found("mounting yaw", turned, c.rig.inertial.yaw_rad)
    bench = Bench(Yard(c.rig, seed=c.seed), distorted(c, (1.0,) * 5, (0.0,) * 5))
    zero = bench.run(tilt.zero_steps(c.rig.blade.width_m, turned.value))
    t = c.rig.inertial
    sensor = Errors(t, generators(c.seed)["inertial"])
    stood = [at + 0.5 * tilt.STILL_S - bench.calls[0][0] + WALK_S for at, _ in bench.calls]
    for one, axis, sign, calls in ((zero.roll, 1, 1.0, (2, 3)), (zero.pitch, 0, -1.0, (0, 1))):
        since = np.mean([stood[k] for k in calls])
        warm = t.warm_up_k * -math.expm1(-float(since) / t.warm_up_s)
        x, y = (sensor._bias + sensor._per_k * warm)[:2]
        m = turned.value
        level = x * math.cos(m) - y * math.sin(m), x * math.sin(m) + y * math.cos(m)
        yield Found("tilt zero", one, sign * math.asin(level[axis] / G))


def yaw(c: Case) -> Estimate:
    """The mounting yaw, by levers that lift the left cylinder."""

    def rocking(s: AnySample) -> AnySample:
        s = distorted(c, (1.0,) * 5, (0.0,) * 5)(s)
        if isinstance(s, InertialSample):
            return msgspec.structs.replace(s, gy=s.gy + c.rocks * s.gx)
        return s

    return Bench(Yard(c.rig, seed=c.seed), rocking).run(tilt.yaw_steps())


def bars(c: Case) -> Iterator[Found]:
    """Bar zero and scale; the person misreads each height by up to half a millimetre."""
    bench = Bench(Yard(c.rig, seed=c.seed), distorted(c, c.scales, c.offsets))
    result = bench.run(bar.bar_steps("bar.left", 5))
    for one, scale, offset in zip(result.elements, c.scales, c.offsets, strict=True):
        middle = 0.5 * sum(HEIGHTS)
        yield Found("bar zero", one.zero, middle * (scale - 1.0) + offset)
        yield Found("bar scale", one.scale, scale)


def mapped(c: Case, steps: Callable[..., Steps[ValveMap]]) -> ValveMap:
    """The valves, by small steps."""
    # the tilt zero comes first: what it leaves of the sensor's bias
    left = replace(c.rig.inertial, accel_bias=REFERENCE.inertial.accel_bias)
    rig = replace(c.rig, inertial=left)
    echo = rig.left_bar
    assert echo is not None
    bench = Bench(Yard(rig, seed=c.seed), distorted(c, (c.board_scale,) * 5, (0.0,) * 5))
    half = 0.5 * rig.blade.width_m
    place = valve_record.BarPlace(
        half + echo.outside_m + c.place_off_m + c.middle_off_m, echo.clearance_m + BOARD.height_m,
        element_positions(echo.elements, echo.spacing_m),
    )  # fmt: skip
    return bench.run(steps("bar.left", place, half, tape=True))


def alike(c: Case, side: Side, one: Any) -> Iterator[Found]:
    """What valves of both kinds have."""
    rig, v = c.rig, c.rig.valves
    up, down = (rig.valve_speed_factor * s for s in (v.up_mps, v.down_mps))
    yield Found("speed", one.up, up)
    yield Found("speed", one.down, down)
    yield Found("lag", one.lag, v.lag_s)
    # height over roll is the way to the other cylinder, about which this one turns the blade
    stands = rig.blade.cylinder_half_m - side.sign * c.middle_off_m
    yield Found("cylinder", one.cylinder, stands)
    yield Found("asymmetry", one.asymmetry, down / up)


def valve_finds(c: Case) -> Iterator[Found]:
    """Proportional valves."""
    found, v = mapped(c, valve_steps.valve_steps), c.rig.valves
    for side in SIDES:
        one = found.valves[side]
        yield Found("overlap", one.overlap_up, v.overlap)
        yield Found("overlap", one.overlap_down, v.overlap)
        yield Found("dead time", one.dead_time, v.dead_time_s + c.rig.extra_dead_time_s)
        yield from alike(c, side, one)


def on_off_finds(c: Case) -> Iterator[Found]:
    """On/off valves."""
    c = on_off(c)
    found, v = mapped(c, on_off_steps.on_off_steps), c.rig.valves
    line = v.dead_time_s + c.rig.extra_dead_time_s
    for side in SIDES:
        named = found.valves[side].named()
        for word, pull_in, let_go in zip(("up", "down"), v.pull_in_s, v.let_go_s, strict=True):
            yield Found("least on time", named[f"least {word}"], pull_in)
            yield Found("opening", named[f"opens {word}"], line + pull_in)
            yield Found("closing", named[f"closes {word}"], line + let_go)
            yield Found("lost", named[f"lost {word}"], pull_in - let_go)
        yield from alike(c, side, found.valves[side])


def commission(seed: int, parts: Sequence[str] = PARTS) -> list[Found]:
    """One rig, from end to end."""
    makers = {"tilt": tilts, "bar": bars, "valves": valve_finds, ON_OFF: on_off_finds}
    c = case(seed)
    return [found for part in parts for found in makers[part](c)]
