"""From recorded pulses to what on/off valves do, each value with its uncertainty.

Current from t0 to t1 opens the valve a time o after t0 and shuts it a time c after t1; then the
rate is full, and it follows first order. Shorter than the least on time a pulse moves nothing.
What a pulse moves is full speed times its length less o - c, which is `lost`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firmware_py.commission.estimate import CommissionError, Estimate, Floats, Term, rectangular
from firmware_py.commission.pulse_fit import (
    LEAST_LAG_S,
    SHARES,
    START_LAG_S,
    Pulse,
    Shape,
    moved,
    shares,
    solve,
)
from firmware_py.commission.taped import Places
from firmware_py.commission.valve_record import (
    CLOCK_U,
    BarPlace,
    Recording,
    by_side,
    pulses_of,
    speed_of,
    times_u,
    unbiased,
)
from firmware_py.commission.valves import Mapped, ValveMap, ends_map, pooled
from firmware_py.messages import Side

START_DEAD_S = 0.1  # s; where the fit begins: common practice, no source
CLOCK = (Term("clock", CLOCK_U),)
WAYS = {1.0: "up", -1.0: "down"}


@dataclass(frozen=True)
class Try:
    """Some pulses of one length, to see whether they move anything.

    on_s: mean length; moved: roll by all of them, the way that was asked for (rad); least: the
    roll that tells motion from noise (rad).
    """

    side: Side
    sign: float
    on_s: float
    count: int
    moved: float
    least: float

    @property
    def did(self) -> bool:
        return self.moved > self.least


@dataclass(frozen=True)
class OnOff(Mapped):
    """An on/off valve; times in s. dead_time is the mean of all its openings and closings."""

    least_up: Estimate
    least_down: Estimate
    opens_up: Estimate
    opens_down: Estimate
    closes_up: Estimate
    closes_down: Estimate
    lost_up: Estimate
    lost_down: Estimate


@dataclass(frozen=True)
class Switch:
    """One direction: when it opens and closes, lag (s), full rate (rad/s), and their covariance,
    in the order opens, lag, closes, full."""

    opens_s: float
    lag_s: float
    closes_s: float
    full: float
    covariance: Floats
    sample_s: float = 0.0  # from one sample of the gyro to the next

    @property
    def smear(self) -> Term:
        """A sample is taken as the mean since the last; were it an instant, the fit would take the
        difference, as wide as a sample, for lag."""
        return Term("the gyro's samples", rectangular(0.5 * self.sample_s))

    @property
    def sd(self) -> Floats:
        out: Floats = np.sqrt(np.diag(self.covariance))
        return out

    @property
    def lost(self) -> Estimate:
        """What of a pulse moves nothing, s."""
        c = self.covariance
        sd = math.sqrt(max(float(c[0, 0] + c[2, 2] - 2.0 * c[0, 2]), 0.0))
        return Estimate(self.opens_s - self.closes_s, "s", sd, CLOCK)


def rates(p: Floats, pulse: Pulse) -> Floats:
    """Mean rate between the pulse's times for parameters (opens, lag, closes, full)."""
    opens, lag, closes, full = p.tolist()
    t = pulse.times
    way = moved(t - pulse.start_s - opens, lag) - moved(t - pulse.end_s - closes, lag)
    out: Floats = full * np.diff(way) / np.diff(t)
    return out


SHAPE = Shape(
    rates, np.array([0.0, LEAST_LAG_S, 0.0, 1e-3]), np.array([0.6, 0.8, 0.6, 10.0])
)  # fmt: skip


def switch(pulses: Sequence[Pulse]) -> Switch:
    """The fit of one direction; CommissionError where a pulse does not fit the others."""
    turned = sum(float(pulse.rate @ np.diff(pulse.times)) for pulse in pulses)
    on = sum(pulse.end_s - pulse.start_s for pulse in pulses)
    guess = turned / max(on, 1e-9)
    p, covariance = solve(SHAPE, pulses, np.array([START_DEAD_S, START_LAG_S, START_DEAD_S, guess]))
    for pulse, share in zip(pulses, shares(SHAPE, p, pulses), strict=True):
        if not SHARES[0] < share < SHARES[1]:
            told = f"A pulse of {1e3 * (pulse.end_s - pulse.start_s):.0f} ms moved {share:.2f}"
            right = f"{SHARES[0]:g} to {SHARES[1]:g} is right. Does the valve stick?"
            raise CommissionError(f"{told} of what the others say; {right}")
    opens, lag, closes, full = p.tolist()
    every = float(np.mean(np.diff(pulses[0].times)))
    return Switch(opens, lag, closes, full, covariance, every)


def least_on(tries: Sequence[Try], found: Switch) -> Estimate:
    """Shortest on time that moves: between the longest that should have been seen and was not, and
    the shortest that was. CommissionError when none was."""
    did = [one.on_s for one in tries if one.did]
    if not did:
        raise CommissionError("No pulse was short and moved the blade: do it again.")
    high = min(did)
    lost = found.lost
    low = max(lost.value - 2.0 * lost.u, 0.0)  # a shorter pulse has nothing left to move
    for one in tries:
        expected = one.count * found.full * (one.on_s - lost.value)
        if not one.did and one.on_s < high and expected > 2.0 * one.least:
            low = max(low, one.on_s)
    low = min(low, high)
    terms = (Term("from try to try", rectangular(0.5 * (high - low))), *CLOCK)
    return Estimate(0.5 * (low + high), "s", 0.0, terms)


def on_off_map(
    rec: Recording, tries: Sequence[Try], bar: BarPlace, half_width_m: float
) -> ValveMap:
    """Everything from one recording."""
    gyro = unbiased(rec)
    valves = {}
    for side, steps, places in by_side(rec, gyro, bar):
        up, down = (switch(pulses_of(steps, gyro, sign)) for sign in WAYS)
        least = [
            least_on([one for one in tries if one.side is side and one.sign == sign], found)
            for sign, found in zip(WAYS, (up, down), strict=True)
        ]
        valves[side] = _valve(up, down, least, places)
    return ValveMap(valves, ends_map(valves, half_width_m), half_width_m)


def _valve(up: Switch, down: Switch, least: Sequence[Estimate], places: Places) -> OnOff:
    lag = pooled(up.lag_s, float(up.sd[1]), down.lag_s, float(down.sd[1]))
    ratio = down.full / up.full
    share = math.hypot(float(up.sd[3]) / up.full, float(down.sd[3]) / down.full)
    off = times_u(up.sample_s)
    opens = [Estimate(one.opens_s, "s", float(one.sd[0]), off) for one in (up, down)]
    closes = [Estimate(one.closes_s, "s", float(one.sd[2]), off) for one in (up, down)]
    return OnOff(
        speed_of(up.full, float(up.sd[3]), places),
        speed_of(down.full, float(down.sd[3]), places),
        _dead([*opens, *closes], off),
        Estimate(lag[0], "s", lag[1], (up.smear,)),
        places.cylinder,
        Estimate(ratio, "1", ratio * share),
        least_up=least[0], least_down=least[1], opens_up=opens[0], opens_down=opens[1],
        closes_up=closes[0], closes_down=closes[1], lost_up=up.lost, lost_down=down.lost,
    )  # fmt: skip


def _dead(four: Sequence[Estimate], off: tuple[Term, ...]) -> Estimate:
    """One dead time for all: their mean; what each may be off from it is part of the spread."""
    values = [one.value for one in four]
    noise = math.hypot(*(one.type_a for one in four)) / len(four)
    apart = Term("opening and closing", rectangular(0.5 * (max(values) - min(values))))
    return Estimate(sum(values) / len(values), "s", noise, (*off, apart))
