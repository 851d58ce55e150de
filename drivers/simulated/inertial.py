"""The inertial sensor on the blade's middle: specific force and rates from the pose, and errors.

Axes x forward, y left, z up, turned left by the mounting yaw. At rest az = +g; pitch > 0 (nose
down) gives ax < 0, roll > 0 (left up) gives ay > 0. Noise, bias, warm-up and engine are drawn in
blocks of samples.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from drivers.samples import OK, InertialSample
from drivers.simulated.device import Device
from drivers.simulated.pose import Pose, axes
from drivers.simulated.reference import G, InertialTruth

BLOCK = 400  # samples a block: 2 s
LINES = ((1.0, 0.6), (2.0, 0.4))  # engine: multiple of its frequency, share of the power (chosen)
AXIS_POWER = (0.3, 0.2, 0.5)  # of the shaking, forward, left, up (chosen)


class Errors:
    """Rows of ax, ay, az, gx, gy, gz errors and the chip's temperature, endless."""

    def __init__(self, truth: InertialTruth, gen: np.random.Generator) -> None:
        self._truth, self._gen = truth, gen
        scale = np.repeat([truth.accel_bias, truth.gyro_bias], 3)
        self._bias = scale * gen.standard_normal(6)
        per_k = np.repeat([truth.accel_per_k, truth.gyro_per_k], 3)
        self._per_k = per_k * gen.choice([-1.0, 1.0], 6)
        self._start = 0
        self._phase = gen.uniform(0.0, 2.0 * math.pi, len(LINES))
        self._axis_phase = gen.uniform(0.0, 2.0 * math.pi, (len(LINES), 6))

    def rows(self) -> Iterator[list[float]]:
        while True:
            yield from self._block().tolist()

    def _block(self) -> NDArray[np.float64]:
        t, gen = self._truth, self._gen
        dt = 1.0 / t.rate_hz
        time = (self._start + np.arange(BLOCK, dtype=np.float64)) * dt
        self._start += BLOCK
        warm = t.warm_up_k * -np.expm1(-(time + t.on_s) / t.warm_up_s)
        zeroed = t.warm_up_k * -math.expm1(-t.on_s / t.warm_up_s)  # when the bias was taken out
        half_band = math.sqrt(0.5 * t.rate_hz)  # density to sigma at this rate
        white = np.repeat(
            [
                math.hypot(t.accel_density * half_band, t.broad_accel),
                math.hypot(t.gyro_density * half_band, t.broad_gyro),
            ],
            3,
        )
        walk = np.repeat([t.accel_walk, t.gyro_walk], 3) * math.sqrt(dt)
        bias = self._bias + np.cumsum(walk * gen.standard_normal((BLOCK, 6)), axis=0)
        self._bias = bias[-1]
        out = np.empty((BLOCK, 7))
        out[:, :6] = bias + (warm - zeroed)[:, None] * self._per_k + self._engine(time)
        out[:, :6] += white * gen.standard_normal((BLOCK, 6))
        out[:, 6] = t.start_c + warm + 0.05 * gen.standard_normal(BLOCK)
        return out

    def _engine(self, time: NDArray[np.float64]) -> NDArray[np.float64]:
        t = self._truth
        accel = [t.engine_rms * math.sqrt(2.0 * share) for share in AXIS_POWER]
        amplitude = np.array(accel + [t.engine_gyro_rms * math.sqrt(2.0)] * 3)
        out = np.zeros((BLOCK, 6))
        for k, (multiple, share) in enumerate(LINES):
            kicks = self._gen.standard_normal(BLOCK) * t.engine_phase / math.sqrt(t.rate_hz)
            drift = self._phase[k] + np.cumsum(kicks)
            self._phase[k] = drift[-1]
            turn = 2.0 * math.pi * multiple * t.engine_hz * time + drift
            out += math.sqrt(share) * amplitude * np.sin(turn[:, None] + self._axis_phase[k])
        return out


class SimulatedInertial(Device[InertialSample]):
    """Samples at its own rate, from the poses at the ends of each physics step."""

    def __init__(self, name: str, truth: InertialTruth, gen: np.random.Generator) -> None:
        super().__init__(name)
        self._truth = truth
        self._rows = Errors(truth, gen).rows()
        self._count = 1
        self._position: tuple[float, float, float] | None = None
        self._velocity = (0.0, 0.0, 0.0)
        self._yaw = (math.cos(truth.yaw_rad), math.sin(truth.yaw_rad))

    def step(self, start_s: float, a: Pose, b: Pose) -> None:
        """Samples with times in (a.t, b.t]."""
        dt = b.t - a.t
        ax, ay, az = self._acceleration(a, b, dt)
        yaw, nod, lean = (b.psi - a.psi) / dt, (b.pitch - a.pitch) / dt, (b.roll - a.roll) / dt
        rate, latency = self._truth.rate_hz, self._truth.latency_s
        while (t := start_s + self._count / rate) <= b.t + 1e-9:
            self._count += 1
            u = (t - a.t) / dt
            psi, th, ph = a.psi + u * yaw * dt, a.pitch + u * nod * dt, a.roll + u * lean * dt
            c, s, ct, st = math.cos(psi), math.sin(psi), math.cos(th), math.sin(th)
            cr, sr = math.cos(ph), math.sin(ph)
            ahead, left, up = ax * c + ay * s, ay * c - ax * s, az + G
            fx, up = ct * ahead - st * up, st * ahead + ct * up
            fy, fz = cr * left + sr * up, cr * up - sr * left
            gx = lean - yaw * st
            gy, gz = nod * cr + yaw * ct * sr, yaw * ct * cr - nod * sr
            self._give(t, t + latency, (fx, fy, fz, gx, gy, gz))

    def _give(self, t: float, due: float, v: tuple[float, ...]) -> None:
        e, (c, s) = next(self._rows), self._yaw
        fx, fy, fz, gx, gy, gz = v
        self.emit(due, InertialSample(
            self.name, t, OK,
            c * fx + s * fy + e[0], c * fy - s * fx + e[1], fz + e[2],
            c * gx + s * gy + e[3], c * gy - s * gx + e[4], gz + e[5], e[6],
        ))  # fmt: skip

    def _acceleration(self, a: Pose, b: Pose, dt: float) -> tuple[float, float, float]:
        """World acceleration of the sensor by second differences: all lever arms are in it."""
        before = self._position or self._place(a)
        now = self._place(b)
        v0 = self._velocity
        v1 = ((now[0] - before[0]) / dt, (now[1] - before[1]) / dt, (now[2] - before[2]) / dt)
        self._position, self._velocity = now, v1
        return (v1[0] - v0[0]) / dt, (v1[1] - v0[1]) / dt, (v1[2] - v0[2]) / dt

    def _place(self, p: Pose) -> tuple[float, float, float]:
        up, h = axes(p)[2], self._truth.height_m
        return p.x + h * up[0], p.y + h * up[1], p.z + h * up[2]
