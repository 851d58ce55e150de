"""Gains from the valve map, and the margins of the actual loop from its frequency response.

The loop as act/actuate.py closes it: the error is carried over the dead time and the lag by the
known model (error + motion under way), so a PI in rate sees an almost delay-free integrator. In
terms of the valves that is a controller K = C / (1 + C (1/s - G_m)) before the true valves G, with
G = g e^(-theta s) / (s (tau s + 1)); theta holds half a tick of hold. What the filter of the
blade's state adds is not in it: the echoes carry their own instants.

Gains by SIMC: Skogestad, J. Process Control 13 (2003) 291, on the delay left unpredicted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firmware_py.act.actuate import INTEGRAL_SLOWER, UNSURE_SHARE
from firmware_py.act.rate import simc_gain, simc_integral
from firmware_py.commission.estimate import CommissionError, Estimate, Floats, K
from firmware_py.commission.valves import ValveMap
from firmware_py.settings import MM, Rig

LEAST_DELAY_S = 0.040  # specified: delay that the loop must still bear
LEAST_GAIN = 2.0  # specified: and gain
GAIN_RANGE = (0.1, 25.0)  # 1/s: control.gain_per_s of a rig file
SLOWER = 1.1  # closed-loop time from one proposal to the next
OMEGA = np.geomspace(1e-2, 400.0, 6_000)  # rad/s; past half the tick rate nothing is left
Complex = NDArray[np.complex128]
Response = Callable[[Floats], Complex]


@dataclass(frozen=True)
class Plant:
    """Valves as a loop sees them: dead time and lag (s), gain against what is believed."""

    dead_s: float
    lag_s: float
    gain: float = 1.0

    def response(self, w: Floats) -> Complex:
        """Rate command to height."""
        s = 1j * w
        out: Complex = self.gain * np.exp(-self.dead_s * s) / (s * (self.lag_s * s + 1.0))
        return out


@dataclass(frozen=True)
class Gains:
    """Proportional gain, 1/s, and integral time, s: control.gain_per_s and integral_s."""

    gain_per_s: float
    integral_s: float


@dataclass(frozen=True)
class Margins:
    """Gain margin (ratio), phase margin (rad), delay margin (s), peak of the sensitivity."""

    gain: float
    phase: float
    delay_s: float
    peak: float

    @property
    def enough(self) -> bool:
        return self.gain >= LEAST_GAIN and self.delay_s >= LEAST_DELAY_S


@dataclass(frozen=True)
class Tuning:
    """What is proposed: gains, margins as believed, and at the worst corner of the k = 2 map."""

    gains: Gains
    margins: Margins
    worst: Margins
    words: str


def pi(gains: Gains, w: Floats) -> Complex:
    """C of s: gain (1 + 1 / (integral s))."""
    return np.asarray(gains.gain_per_s * (1.0 + 1.0 / (gains.integral_s * 1j * w)), np.complex128)


def loop(gains: Gains, model: Plant, true: Plant) -> Response:
    """Open loop, broken at the valves: the predictor believes in `model`."""

    def response(w: Floats) -> Complex:
        C = pi(gains, w)
        out: Complex = C * true.response(w) / (1.0 + C * (1.0 / (1j * w) - model.response(w)))
        return out

    return response


def plain_loop(gains: Gains, true: Plant) -> Response:
    """The same without prediction, for the checks against published margins."""
    return lambda w: pi(gains, w) * true.response(w)


def margins(response: Response, w: Floats = OMEGA) -> Margins:
    """From the frequency response: every crossing is looked at, and the least counts."""
    L = response(w)
    size, phase = np.abs(L), np.unwrap(np.angle(L))
    phase = phase - 2.0 * math.pi * round((float(phase[0]) + math.pi) / (2.0 * math.pi))
    gain = math.inf
    turns = np.floor((phase - math.pi) / (2.0 * math.pi))  # changes where L is real and negative
    for k in np.flatnonzero(np.diff(turns)).tolist():
        at = (round(float(phase[k]) / math.pi - 1.0) // 2) * 2 + 1
        share = _share(float(phase[k]), float(phase[k + 1]), at * math.pi)
        through = math.exp(_between(np.log(size), k, share))
        gain = min(gain, 1.0 / through if through < 1.0 else math.inf)
    least_phase = delay = math.inf
    for k in np.flatnonzero(np.diff(np.sign(np.log(size)))).tolist():
        share = _share(math.log(size[k]), math.log(size[k + 1]), 0.0)
        left = (_between(phase, k, share) + math.pi) % (2.0 * math.pi)
        omega = _between(w, k, share)
        least_phase = min(least_phase, left)
        delay = min(delay, left / omega)
    peak = float(np.max(1.0 / np.abs(1.0 + L)))
    return Margins(gain, least_phase, delay, peak)


def _share(a: float, b: float, at: float) -> float:
    return min(max((at - a) / (b - a), 0.0), 1.0) if b != a else 0.0


def _between(values: Floats, k: int, share: float) -> float:
    return float(values[k] + share * (values[k + 1] - values[k]))


def stable(response: Response, w: Floats = OMEGA) -> bool:
    """Nyquist, for an open loop without poles to the right: 1 + L does not wind round 0.

    From w near 0, where two integrators put L far out on the negative side, the angle of 1 + L
    comes back to 0 at high frequencies when the closed loop is stable.
    """
    around = np.unwrap(np.angle(1.0 + response(w)))
    return bool(abs(around[-1] - around[0] - math.pi) < 0.5 * math.pi)


def hold_s(rig: Rig) -> float:
    """How long a command stands, s: a tick, or a pulse of on/off valves."""
    tick = 1.0 / rig.control.tick_hz
    if rig.valves is None or not rig.valves.pulsed:
        return tick
    return max(tick, rig.valves.pulse_ms * MM)


def plant_of(found: ValveMap, hold_s: float) -> Plant:
    """The plant as the map has it, with half a hold."""
    return Plant(found.dead_time.value + 0.5 * hold_s, found.lag.value)


def _shift(estimate: Estimate, by: float) -> float:
    return max(estimate.value + by * K * estimate.u, 0.0)


def worst_margins(gains: Gains, found: ValveMap, hold_s: float) -> Margins:
    """The least at the corners of the map's k = 2 intervals, the predictor believing the middle;
    all 0 where one of them is not stable."""
    model = plant_of(found, hold_s)
    speeds = [e for v in found.valves.values() for e in (v.up, v.down)]
    strong = max(e.high / e.value for e in speeds)
    weak = min(e.low / e.value for e in speeds)
    corners = [
        Plant(_shift(found.dead_time, d) + 0.5 * hold_s, _shift(found.lag, g), gain)
        for d in (-1.0, 1.0) for g in (-1.0, 1.0) for gain in (weak, strong)
    ]  # fmt: skip
    loops = [loop(gains, model, corner) for corner in (*corners, model)]
    if not all(map(stable, loops)):
        return Margins(0.0, 0.0, 0.0, math.inf)
    seen = [margins(response) for response in loops]
    return Margins(
        min(m.gain for m in seen), min(m.phase for m in seen), min(m.delay_s for m in seen),
        max(m.peak for m in seen),
    )  # fmt: skip


def simc(found: ValveMap, hold_s: float, slower: float = 1.0) -> Gains:
    """SIMC on what the prediction leaves: UNSURE_SHARE of the dead time, or its k = 2 interval
    where that is wider, and a hold. slower: closed-loop time over that delay."""
    dead = found.dead_time
    left = max(UNSURE_SHARE * dead.value, K * dead.u) + hold_s
    closed = slower * left
    return Gains(simc_gain(left, closed), INTEGRAL_SLOWER * simc_integral(left, closed))


def _told(m: Margins) -> str:
    return f"{1e3 * m.delay_s:.0f} ms of delay margin and a gain margin of {m.gain:.2f}"


def check(gains: Gains, found: ValveMap, hold_s: float) -> Tuning:
    """The margins that these gains have; CommissionError where they are too small.

    With a model that is just right a predictor bears almost any gain, so the corners count too.
    """
    model = plant_of(found, hold_s)
    seen, worst = margins(loop(gains, model, model)), worst_margins(gains, found, hold_s)
    told = f"{_told(seen)}, and at the corners of what the valves may be {_told(worst)}"
    if not (seen.enough and worst.enough):
        least = f"at least {1e3 * LEAST_DELAY_S:.0f} ms and {LEAST_GAIN:g} are right"
        raise CommissionError(f"A gain of {gains.gain_per_s:.2f}/s leaves {told}; {least}.")
    words = f"Gain {gains.gain_per_s:.2f}/s, integral {gains.integral_s:.2f} s: {told}."
    return Tuning(gains, seen, worst, words)


def propose(found: ValveMap, hold_s: float) -> Tuning:
    """SIMC's gains; slower ones until the margins are enough; refused below the schema's range."""
    slower = 1.0
    while True:
        gains = simc(found, hold_s, slower)
        if gains.gain_per_s < GAIN_RANGE[0]:
            told = f"{1e3 * LEAST_DELAY_S:.0f} ms and a gain margin of {LEAST_GAIN:g}"
            raise CommissionError(f"No gain above {GAIN_RANGE[0]:g}/s leaves {told}.")
        try:
            tuning = check(gains, found, hold_s)
        except CommissionError:
            slower *= SLOWER
            continue
        if slower == 1.0:
            return tuning
        words = f"{tuning.words} SIMC's own {simc(found, hold_s).gain_per_s:.2f}/s left too little."
        return Tuning(tuning.gains, tuning.margins, tuning.worst, words)
