"""What was recorded of small steps, and what it tells of any valve: roll, cylinders, speeds.

Left and right are the driver's; command > 0 raises; roll > 0 left end up; bar at y, left > 0.
A cylinder at a from the middle that lifts by l rolls the blade by +-l/2a (left +) and lifts the
point y by l/2 (1 +- y/a), so height over roll at the bar is y +- a: this tells a, and 2a times
the full roll rate is the speed, as all cylinder motions shared by both ends are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from firmware_py.commission.estimate import (
    MAD_TO_SD,
    CommissionError,
    Estimate,
    Floats,
    Term,
    kept,
    rectangular,
    triangular,
    widened,
)
from firmware_py.commission.pulse_fit import Pulse
from firmware_py.commission.taped import Places, taped
from firmware_py.messages import SIDES, Side

SETTLE_S = 0.8  # s after a step's end until oil and blade rest: dead time and several lags
BEFORE_S = 0.1  # s before a step that its fit takes in
CLOCK_U = rectangular(0.001)  # s; a sample's time against the command's: mapped within 1 ms
PLACE_U = 0.003  # m; the bar's place along the edge, by tape
GYRO_SCALE_U = rectangular(0.01)  # datasheet LSM6DSO: sensitivity within 1 % (from memory)
ECHO_SCALE_U = 0.002  # of a range: speed of sound, and the element's scale as calibrated
LEAST_SD = 0.0005  # m; coarse steps make the median deviation 0
SAME_S = 1e-6  # s; a step that begins so near to a rest's end begins with it
LEAST_PINGS = 4  # of one element in a rest


@dataclass(frozen=True)
class Step:
    """One step of one valve as it was commanded: signed command, first and last of it (s)."""

    side: Side
    command: float
    start_s: float
    end_s: float
    rest_s: float  # until then nothing else was commanded


@dataclass(frozen=True)
class Recording:
    """All that was seen. gyro: rows of time, roll rate; echoes: time, element, range (m).

    first_roll: of the blade when all began (rad); busy: spans (s) of other commands.
    """

    steps: tuple[Step, ...]
    gyro: Floats
    echoes: Floats
    first_roll: float
    busy: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class BarPlace:
    """Where the bar is: y along the edge, height over it (m), its elements along it (m).

    apart_m: from cylinder to cylinder by a tape, where somebody has measured it.
    """

    y_m: float
    above_m: float
    elements: tuple[float, ...]
    apart_m: float | None = None


def way(side: Side, command: float) -> float:
    """Sign of the roll that a command should make."""
    return math.copysign(1.0, command) * (1.0 if side is Side.LEFT else -1.0)


def unbiased(rec: Recording) -> Floats:
    """The gyro less its bias: a parabola through all that was seen at rest."""
    t = rec.gyro[:, 0]
    rest = np.ones(t.size, dtype=bool)
    for start, end in (*rec.busy, *((step.start_s, step.end_s) for step in rec.steps)):
        rest &= (t < start) | (t > end + SETTLE_S)
    if np.count_nonzero(rest) < 100:
        raise CommissionError("Hardly any gyro samples at rest; look at the sensor and its rate.")
    middle = float(t.mean())
    bias = np.polynomial.Polynomial.fit(t[rest] - middle, rec.gyro[rest, 1], 2)
    return np.stack([t, rec.gyro[:, 1] - bias(t - middle)], axis=1)


def rolls(rec: Recording, gyro: Floats) -> Floats:
    """Rows of time and roll, rad, from the gyro without its bias."""
    angles = np.concatenate([[0.0], np.cumsum(gyro[1:, 1] * np.diff(gyro[:, 0]))])
    return np.stack([gyro[:, 0], rec.first_roll + angles], axis=1)


def pulses_of(steps: Sequence[Step], gyro: Floats, sign: float) -> list[Pulse]:
    """The steps of one direction with the gyro around them."""
    pulses = []
    for step in steps:
        if step.command * sign <= 0.0:
            continue
        t = gyro[:, 0]
        inside = (t > step.start_s - BEFORE_S) & (t < step.end_s + SETTLE_S)
        part = gyro[inside]
        turned = way(step.side, step.command) * part[1:, 1]
        pulses.append(Pulse(abs(step.command), step.start_s, step.end_s, part[:, 0], turned))
    return pulses


def _height(echoes: Floats, start: float, end: float, roll: float, bar: BarPlace) -> Floats:
    """Mean height of the bar's middle over the board in a rest, and its variance (m, m^2).

    Each element's place rolls with the bar; a rolled bar also stands lower by above (1 - cos).
    """
    part = echoes[(echoes[:, 0] > start) & (echoes[:, 0] < end)]
    means, variances = [], []
    for k, y in enumerate(bar.elements):
        r = part[part[:, 1] == k, 2]
        if r.size < LEAST_PINGS:
            continue
        r = r[kept(r, LEAST_SD)]
        means.append(float(r.mean()) - y * roll)
        sd = max(MAD_TO_SD * float(np.median(np.abs(r - np.median(r)))), float(r.std()), LEAST_SD)
        variances.append(sd**2 / r.size)
    if not means:
        raise CommissionError("No echoes while the blade rested; look at the board under the bar.")
    fall = bar.above_m * (1.0 - math.cos(roll))
    return np.array([np.mean(means) + fall, sum(variances) / len(means) ** 2])


def shared(steps: Sequence[Step], x: Floats) -> float:
    """Spread of a slope over x for a scatter of 1 in each step, whose two rests scatter alike.

    The rest after a step is the one before the next: as x turns its sign from step to step, what a
    rest is off by counts twice the same way, and the slope is up to sqrt(2) less sure.
    """
    rests = [-float(x[0])]
    for k, step in enumerate(steps[1:], 1):
        if abs(step.start_s - steps[k - 1].rest_s) < SAME_S:
            rests.append(float(x[k - 1] - x[k]))
        else:
            rests += [float(x[k - 1]), -float(x[k])]
    rests.append(float(x[-1]))
    return math.sqrt(0.5 * sum(one**2 for one in rests)) / float(x @ x)


def cylinder_of(
    side: Side, steps: Sequence[Step], echoes: Floats, roll: Floats, bar: BarPlace
) -> Estimate:
    """Where this cylinder stands, from height over roll of all its steps."""
    turned, lifted = [], []
    for step in steps:
        settled = step.end_s + SETTLE_S
        before, after = (float(np.interp(t, *roll.T)) for t in (step.start_s, settled))
        length = step.rest_s - settled
        h0 = _height(echoes, step.start_s - length, step.start_s, before, bar)
        h1 = _height(echoes, settled, step.rest_s, after, bar)
        turned.append(after - before)
        lifted.append(float(h1[0] - h0[0]))
    x, z = np.array(turned), np.array(lifted)
    ratio = float(x @ z / (x @ x))
    scatter = float(((z - ratio * x) ** 2).sum()) / (len(steps) - 1)
    noise = widened(math.sqrt(scatter) * shared(steps, x), len(steps) - 1)
    sign = 1.0 if side is Side.LEFT else -1.0
    a = sign * (ratio - bar.y_m)
    if not a > 0.0:
        told = f"The {side.value} valve moves a cylinder at {1e3 * sign * a:+.0f} mm"
        raise CommissionError(f"{told} (left > 0): the valves' lines are swapped, or the bar's y.")
    terms = (
        Term("the bar's place", PLACE_U),
        Term("gyro scale", abs(ratio) * GYRO_SCALE_U),
        Term("echo scale", abs(ratio) * ECHO_SCALE_U),
    )
    return Estimate(a, "m", noise, terms)


def by_side(
    rec: Recording, gyro: Floats, bar: BarPlace
) -> Iterator[tuple[Side, list[Step], Places]]:
    """Each valve's own steps, and where its cylinder stands."""
    roll = rolls(rec, gyro)
    for side in SIDES:
        steps = [s for s in rec.steps if s.side is side]
        seen = cylinder_of(side, steps, rec.echoes, roll, bar)
        yield side, steps, taped(seen, side, bar.y_m, bar.apart_m)


def every(gyro: Floats) -> float:
    """Seconds from one gyro sample to the next."""
    return float(np.median(np.diff(gyro[:, 0])))


def times_u(every_s: float) -> tuple[Term, ...]:
    """What a time from the fit may be off by: the clock, and half a gyro sample, for the fit takes
    a sample for the mean since the one before; one taken at its instant, or held over two, is half
    of that early or late."""
    return Term("clock", CLOCK_U), Term("half a sample", triangular(0.5 * every_s))


def speed_of(full: float, sd: float, places: Places) -> Estimate:
    """The way from cylinder to cylinder times the full roll rate. A gyro that reads too much makes
    the rate too large and that way, as far as it was seen by it, too small."""
    double, half = 2.0 * full, places.half
    terms = {term.name: term.u * double for term in half.type_b}
    terms["gyro scale"] = double * half.value * places.gyro_share * GYRO_SCALE_U
    noise = math.hypot(2.0 * half.value * sd, double * half.type_a)
    b = tuple(Term(name, u) for name, u in terms.items())
    return Estimate(double * half.value, "m/s", noise, b)
