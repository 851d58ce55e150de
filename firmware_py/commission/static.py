"""A long stand: how the tilt spreads, and the noise of each axis by Allan deviation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drivers.samples import InertialSample, Validity
from firmware_py.commission.allan import Noise, coefficients, curve
from firmware_py.commission.estimate import CommissionError, Floats
from firmware_py.commission.procedure import Steps, for_seconds, until_said
from firmware_py.commission.tilt import Inertials

STAND_S = 600.0  # s; the curve then reaches to 66 s: a minute is what a tilt filter forgets in
STAMP = 0.02  # of the mean step: beyond it a step is a gap
GAPS = 0.01  # share of steps that may be gaps: an Allan deviation wants an even record
AXES = ("ax", "ay", "az", "gx", "gy", "gz")


@dataclass(frozen=True)
class Static:
    """rate (Hz), spread of roll (rad; sd of one-second means), and by axis the curve and noise."""

    rate_hz: float
    roll_spread: float
    tau_s: Floats
    deviations: dict[str, Floats]
    noise: dict[str, Noise]


def static(samples: list[InertialSample]) -> Static:
    """From samples at rest; CommissionError where they are few or not even in time."""
    good = [s for s in samples if s.validity is Validity.OK]
    if len(good) < 1000:
        raise CommissionError(f"{len(good)} inertial samples; at least 1000 are right")
    rows = np.array([(s.ax, s.ay, s.az, s.gx, s.gy, s.gz) for s in good])
    steps = np.diff([s.time_s for s in good])
    step = float(np.median(steps))
    gaps = float(np.mean(np.abs(steps - step) > max(STAMP * step, 1e-3)))
    if gaps > GAPS:
        told = f"{100.0 * gaps:.1f} % of the inertial samples came out of step"
        raise CommissionError(f"{told}; at most {100.0 * GAPS:g} % is right: look at its rate.")
    second = max(1, round(1.0 / step))
    count = len(rows) // second
    means = rows[: count * second].reshape(count, second, 6).mean(axis=1)
    deviations = {}
    for k, axis in enumerate(AXES):
        tau, deviations[axis] = curve(rows[:, k], step)
    noise = {axis: coefficients(tau, seen) for axis, seen in deviations.items()}
    spread = float(np.std(np.arctan2(means[:, 1], means[:, 2]), ddof=1))
    return Static(1.0 / step, spread, tau, deviations, noise)


def static_steps(seconds: float = STAND_S) -> Steps[Static]:
    """Stand, engine as asked by whoever reads the answer, hands off. Moves no valve."""
    words = f"Stand still, blade down, hands off for {seconds / 60.0:.0f} minutes."
    yield from until_said(words, "ready", act="stand")
    kept = Inertials()
    yield from for_seconds("Stand still.", seconds, kept)
    return static(kept.samples)
