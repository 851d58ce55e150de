"""The air's true temperature over a run, and the thermometer that lags behind it (Celsius)."""

from __future__ import annotations

import math

import numpy as np

from drivers.samples import AirSample, Validity
from drivers.simulated.device import Device
from drivers.simulated.noise import normals
from drivers.simulated.reference import AirTruth


class Air:
    """Drifts by `drift_k` over one run, smoothly, up or down by chance."""

    def __init__(self, truth: AirTruth, gen: np.random.Generator, run_s: float) -> None:
        self._start, self._run_s = truth.start_c, run_s
        self._drift = truth.drift_k * float(gen.choice([-1.0, 1.0]))

    def true_c(self, since_start_s: float) -> float:
        """True temperature, s after the start."""
        turn = math.pi * since_start_s / self._run_s
        return self._start + self._drift * 0.5 * (1.0 - math.cos(turn))


class SimulatedAir(Device[AirSample]):
    """The thermometer near the bar."""

    def __init__(self, truth: AirTruth, air: Air, gen: np.random.Generator) -> None:
        super().__init__("air")
        self._truth, self._air, self._noise = truth, air, normals(gen)
        self._housing = air.true_c(0.0)
        self._keep = math.exp(-1.0 / (truth.rate_hz * truth.lag_s))
        self._count = 0

    def step(self, start_s: float, end_s: float) -> None:
        """Readings up to end_s."""
        while (t := start_s + self._count / self._truth.rate_hz) <= end_s + 1e-9:
            self._count += 1
            now = self._air.true_c(t - start_s)
            self._housing = now + (self._housing - now) * self._keep
            value = self._housing + self._truth.noise_k * next(self._noise)
            self.emit(t, AirSample(self.name, t, Validity.OK, value))
