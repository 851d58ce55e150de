"""Samples made by hand, without the simulated rig: its geometry is not this one's.

A bar over a string (half width 0) or an edge, drawn on paper: element i at y_i sees the nearest
point at r = sqrt(c^2 + max(|y_i - y| - w, 0)^2) when that lies in its beam, and behind it the
ground. SI, radians; y left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from drivers.samples import (
    AirSample,
    AnySample,
    DriverSample,
    Echo,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)
from firmware_py.controller import Controller
from firmware_py.messages import AnyRequest, Side, Tick

G = 9.80665  # m/s2
SOUND = 343.2  # m/s at 20 C: ISO 9613-1
SPOTS = (-0.150, -0.075, 0.0, 0.075, 0.150)  # m, right to left
GROUND = 0.15  # m below the reference
BEAM = math.tan(math.radians(12.0))
OK = Validity.OK


@dataclass
class Scene:
    """What the sensors see now. clearance square to the bar; roll > 0 left up, pitch nose down."""

    clearance: dict[Side, float]
    lateral: dict[Side, float]
    roll: float = 0.0
    pitch: float = 0.0
    yaw_rate: float = 0.0
    speed: float = 0.0
    enable: bool = True
    hands: tuple[bool, bool] = (False, False)
    half_width: float = 0.0


def scene(left: float | None = 0.6, right: float | None = None, lateral: float = 0.0) -> Scene:
    """Bars at these clearances."""
    both = {Side.LEFT: left, Side.RIGHT: right}
    clearances = {side: c for side, c in both.items() if c is not None}
    return Scene(clearances, dict.fromkeys(clearances, lateral))


@dataclass
class Bench:
    """Feeds a controller one scene; its ticks come every 10 ms."""

    controller: Controller
    scene: Scene
    t: float = 1000.0
    fired: int = 0
    pings: list[tuple[float, RangePing]] = field(default_factory=list)
    number: int = 0

    def samples(self) -> list[AnySample]:
        """What arrives by now: two inertial samples, a speed, the inputs, air, and echoes."""
        s, t = self.scene, self.t
        force = (
            -G * math.sin(s.pitch),
            G * math.cos(s.pitch) * math.sin(s.roll),
            G * math.cos(s.pitch) * math.cos(s.roll),
        )
        # a sensor that is alive never gives the same reading twice
        out: list[AnySample] = [
            InertialSample("inertial", at, OK, force[0] + 1e-9 * at, *force[1:], 0.0, 0.0,
                           s.yaw_rate, 20.0)
            for at in (t - 0.006, t - 0.001)
        ]  # fmt: skip
        out.append(MotionSample("motion", t, OK, s.speed, 0.0))
        out.append(AirSample("air", t, OK, 20.0))
        out.append(DriverSample("driver", t, OK, s.enable, *s.hands))
        while (at := 1000.0 + 0.008 * self.fired) < t:
            for side in s.clearance:
                self.pings.append((at + 0.02, self._ping(side, at, self.fired % 5)))
            self.fired += 1
        out += [ping for due, ping in self.pings if due <= t]
        self.pings = [(due, ping) for due, ping in self.pings if due > t]
        return out

    def _ping(self, side: Side, at: float, element: int) -> RangePing:
        s = self.scene
        c = s.clearance[side]
        off = max(abs(SPOTS[element] - s.lateral[side]) - s.half_width, 0.0)
        wobble = 1e-7 * (self.fired % 7)  # m: a live element, not a stuck one
        ranges = [c + GROUND] if off > c * BEAM else [math.hypot(c, off), c + GROUND]
        flights = [2.0 * (r + wobble) / SOUND for r in ranges]
        echoes = tuple(Echo(at + flight / 2, flight) for flight in flights)
        return RangePing(f"bar.{side}", at, OK, element, echoes)

    def step(self, *requests: AnyRequest) -> Tick:
        """One tick."""
        self.t += 0.01
        return self.controller.step(self.t, self.samples(), requests)

    def run(self, seconds: float) -> Tick:
        """Ticks for so long; the last one."""
        for _ in range(round(seconds * 100)):
            tick = self.step()
        return tick

    def ask(self, kind: type, *values: object) -> str:
        """One request; '' when done, else the reason."""
        self.number += 1
        answer = self.step(kind(self.number, *values)).answers[0]
        assert answer.done is (answer.reason == "")
        return answer.reason
