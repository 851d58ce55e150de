"""Tilt zero by reversal, mounting yaw by rolling the blade, static spread, slope check.

Roll > 0: left end up. Pitch > 0: nose down. Yaw > 0: sensor turned left. The zero is what the
sensor reads on the level, as the rig file's zero_roll_deg and zero_pitch_deg mean it: after the
mounting yaw that the file states has been taken out. Radians; forces in m/s2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.samples import InertialSample, MotionSample, Validity
from firmware_py.commission.estimate import (
    CommissionError,
    Estimate,
    Floats,
    Term,
    block_mean,
    widened,
)
from firmware_py.commission.procedure import Given, Steps, for_seconds, until_said
from firmware_py.sense.mount import LEAST_ROLL, ROCKS
from firmware_py.sense.tilt import STANDARD_GRAVITY, tilt_from_gravity

BLOCK_S = 1.0  # s: an engine turns some 27 times in it
STILL_S = 20.0  # s of standing for each reading
HEADING_U = math.radians(0.5)  # rad; how well marks bring the machine back: common practice
GROUND_U = math.radians(0.003)  # rad; firm ground, the same marks within 10 mm: from class B
CONTACT_U = 0.0003  # m; the edge's height on a block: half a millimetre of dirt, rectangular
YAW_LEFT_U = math.radians(0.25)  # rad; the mounting yaw once it was found
MOVING_MPS = 0.05  # m/s; and no machine that stands moves faster
SMOOTH = 0.2  # of each speed, into their mean: one noisy sample in a million is no motion
SWAYED = 0.01  # rad/s: mean turning rate of a second; standing, nothing turns the blade so fast
MOVES = 8  # times the blade is rolled for the mounting yaw
REST_S = 1.5  # s of rest before and after each, for the gyro's bias
SLOPE_U = math.radians(0.05)  # rad; the check passes within this: the accuracy asked of the zero


@dataclass(frozen=True)
class Still:
    """Means over a stand: specific force (3), its standard uncertainty (3), spread of roll."""

    force: Floats
    u: Floats
    roll_spread: float  # rad; sd of one-second means, detrended by nothing
    temperature_c: float | None


def still(samples: list[InertialSample]) -> Still:
    """One stand's reading; CommissionError where it was short or anything moved."""
    good = [s for s in samples if s.validity is Validity.OK]
    if len(good) < 2:
        raise CommissionError("No inertial samples came; look at the sensor and its cable.")
    rows = np.array([(s.ax, s.ay, s.az, s.gx, s.gy, s.gz) for s in good])
    rate = (len(good) - 1) / (good[-1].time_s - good[0].time_s)
    block = max(1, round(BLOCK_S * rate))
    mean, u = block_mean(rows, block)
    count = len(rows) // block
    means = rows[: count * block].reshape(count, block, 6).mean(axis=1)
    sway = float(np.abs(means[:, 3:] - means[:, 3:].mean(axis=0)).max())
    if sway > SWAYED:
        raise CommissionError(f"The blade turned at {sway:.2f} rad/s; stand still and begin again.")
    warm = [s.temperature_c for s in good if s.temperature_c is not None]
    spread = float(np.std(np.arctan2(means[:, 1], means[:, 2]), ddof=1))
    return Still(mean[:3], u[:3], spread, float(np.mean(warm)) if warm else None)


@dataclass(frozen=True)
class TiltZero:
    """What the sensor reads on the level; slope under blocks and tracks; spread; temperature."""

    roll: Estimate
    pitch: Estimate
    ground_roll: float
    ground_pitch: float
    roll_spread: float
    temperature_c: float | None


def roll_zero(
    first: Still, second: Still, width_m: float, yaw: float = 0.0, contact_u: float = CONTACT_U
) -> tuple[Estimate, float]:
    """Zero of roll, and the blocks' slope: the edge on the same two blocks, its ends swapped.

    The slope changes sign with the direction, the sensor's zero does not: half the sum is the
    zero. The edge itself must lie there: a blade that hangs askew on its machine turns with it.
    """
    (r1, p1), (r2, p2) = levelled(first.force, yaw), levelled(second.force, yaw)
    noise = float(math.hypot(first.u[1], second.u[1])) / (2.0 * STANDARD_GRAVITY)
    # two contacts a stand, two stands, half the sum
    terms = (
        Term("edge not quite on the blocks", contact_u / width_m),
        Term("mounting yaw", YAW_LEFT_U * 0.5 * abs(p1 + p2)),
    )
    return Estimate(0.5 * (r1 + r2), "rad", noise, terms), 0.5 * (r1 - r2)


def pitch_zero(
    first: Still, second: Still, yaw: float = 0.0,
    heading_u: float = HEADING_U, ground_u: float = GROUND_U,
) -> tuple[Estimate, float]:  # fmt: skip
    """Zero of pitch, and the ground's: both tracks on the same marks, the other way round.

    A heading off by h puts h times the slope across into the second reading, and half of that
    into the zero.
    """
    (r1, p1), (r2, p2) = levelled(first.force, yaw), levelled(second.force, yaw)
    noise = float(math.hypot(first.u[0], second.u[0])) / (2.0 * STANDARD_GRAVITY)
    terms = (
        Term("heading not quite opposite", 0.5 * heading_u * 0.5 * abs(r1 - r2)),
        Term("not quite the same ground", ground_u),
    )
    return Estimate(0.5 * (p1 + p2), "rad", noise, terms), 0.5 * (p1 - p2)


def tilt_zero(
    marks: tuple[Still, Still], blocks: tuple[Still, Still], width_m: float, yaw: float = 0.0
) -> TiltZero:
    """Both axes by reversal; the temperature is the mean of the stands that gave the roll."""
    roll, across = roll_zero(*blocks, width_m, yaw)
    pitch, along = pitch_zero(*marks, yaw)
    warm = [s.temperature_c for s in blocks if s.temperature_c is not None]
    spread = max(s.roll_spread for s in (*marks, *blocks))
    return TiltZero(roll, pitch, across, along, spread, sum(warm) / len(warm) if warm else None)


def levelled(force: Floats, mount_yaw: float) -> tuple[float, float]:
    """Roll and pitch of a mean force, its x and y turned to the blade's forward and left."""
    c, s = math.cos(mount_yaw), math.sin(mount_yaw)
    x, y, z = force.tolist()
    return tilt_from_gravity(x * c - y * s, x * s + y * c, z)


def turned(
    before: list[InertialSample], move: list[InertialSample], after: list[InertialSample]
) -> tuple[float, float]:
    """Angles (rad) about the sensor's x and y over a move; the rests around it tell the bias."""
    rest = [(s.gx, s.gy) for s in (*before, *after)]
    if len(rest) < 2 or len(move) < 2:
        raise CommissionError("Too few inertial samples round a move; look at the sensor's rate.")
    bias = np.mean(rest, axis=0)
    dt = (move[-1].time_s - move[0].time_s) / (len(move) - 1)
    x, y = (np.array([(s.gx, s.gy) for s in move]) - bias).sum(axis=0) * dt
    return float(x), float(y)


def mount_yaw(moves: list[tuple[float, float]]) -> Estimate:
    """Mounting yaw from blade moves: angles about the sensor's x and y while only roll was made.

    A sensor turned left by m sees roll r as (r cos m, -r sin m): least squares through zero. A
    machine whose tracks give way by ROCKS of the roll pitches by as much.
    """
    x, y = np.array(moves).T
    if float(np.abs(x).max(initial=0.0)) < LEAST_ROLL:
        told = f"at most {1e3 * float(np.abs(x).max(initial=0.0)):.1f} mrad of roll"
        raise CommissionError(f"{told}; lift one end by some 60 mm, so that the yaw shows")
    square = float(x @ x)
    slope = -float(x @ y) / square
    scatter = float(((y + slope * x) ** 2).sum()) / (len(moves) - 1)
    noise = widened(math.sqrt(scatter / square), len(moves) - 1)
    return Estimate(math.atan(slope), "rad", noise, (Term("the tracks give way", ROCKS),))


@dataclass(frozen=True)
class SlopeCheck:
    """What the crossfall is still off by, rad, and whether that is little enough."""

    off: Estimate
    passed: bool
    words: str


def slope_check(out: list[float], back: list[float], marks_u: float = GROUND_U) -> SlopeCheck:
    """Roll at the same marks, out and back: half the sum at each mark is the zero's error."""
    if len(out) != len(back):
        raise CommissionError(f"{len(out)} marks out and {len(back)} back; they must be the same")
    half = 0.5 * (np.array(out) + np.array(back))
    noise = widened(float(half.std(ddof=1)) / math.sqrt(len(half)), len(half) - 1)
    return _judged(Estimate(float(half.mean()), "rad", noise, (Term("the marks", marks_u),)))


def level_check(measured: Estimate, level: float, level_u: float) -> SlopeCheck:
    """Roll where the machine stands against a digital level on the cutting edge, both rad."""
    term = Term("the digital level", level_u)
    off = Estimate(measured.value - level, "rad", measured.type_a, (*measured.type_b, term))
    return _judged(off)


def _judged(off: Estimate) -> SlopeCheck:
    passed = abs(off.value) <= SLOPE_U
    told = f"The crossfall is off by {100.0 * math.tan(off.value):+.3f} %"
    limit = f"at most {100.0 * math.tan(SLOPE_U):.3f} % is right"
    words = f"{told}; {limit}" + ("." if passed else ": do the tilt zero again.")
    return SlopeCheck(off, passed, words)


class Pace:
    """The speed over the last few samples, m/s: `moves` says whether a machine drives."""

    def __init__(self) -> None:
        self.mps = 0.0

    def moves(self, sample: MotionSample) -> bool:
        """Take one."""
        self.mps += SMOOTH * ((sample.speed_mps or 0.0) - self.mps)
        return abs(self.mps) > MOVING_MPS


class Inertials:
    """Keeps inertial samples; refuses a machine that drives while it should stand."""

    def __init__(self, *, stands: bool = True) -> None:
        self.samples: list[InertialSample] = []
        self._stands = stands
        self._pace = Pace()

    def __call__(self, given: Given) -> None:
        for sample in given.samples:
            if isinstance(sample, InertialSample):
                self.samples.append(sample)
            elif self._stands and isinstance(sample, MotionSample) and self._pace.moves(sample):
                told = f"The machine drove at {self._pace.mps:.2f} m/s"
                raise CommissionError(f"{told}; stand still.")


STANDS = {
    "marks": "Stand on firm ground, blade in the air; mark the corners of both tracks.",
    "marks about": "Turn about, stand on the same marks the other way, blade untouched.",
    "blocks": "Put two blocks on firm ground under the edge's ends; lower the edge onto both.",
    "blocks about": "Drive round; lower the edge on the same two blocks, its ends swapped.",
}


def zero_steps(width_m: float, yaw: float = 0.0, seconds: float = STILL_S) -> Steps[TiltZero]:
    """Tilt zero by two reversals; the mounting yaw comes first. Moves no valve itself."""
    stands = []
    for number, (act, words) in enumerate(STANDS.items(), start=1):
        yield from until_said(f"Stand {number} of {len(STANDS)}. {words}", "ready", act=act)
        kept = Inertials()
        yield from for_seconds("Stand still.", seconds, kept)
        stands.append(still(kept.samples))
    return tilt_zero((stands[0], stands[1]), (stands[2], stands[3]), width_m, yaw)


def yaw_steps(moves: int = MOVES) -> Steps[Estimate]:
    """Mounting yaw: the person rolls the blade by the levers, standing. Moves no valve itself."""
    yield from until_said("Stand still, blade in the air, nobody near it.", "ready", act="stand")
    before = Inertials()
    yield from for_seconds("Hands off the levers.", REST_S, before)
    found = []
    for k in range(moves):
        way = "Raise" if k % 2 == 0 else "Lower"
        move, after = Inertials(), Inertials()
        words = f"{k + 1} of {moves}: {way.lower()} the left end by some 60 mm within 3 s."
        yield from until_said(words, "ready", move, act=f"lever {way.lower()}")
        yield from for_seconds("Hands off the levers.", REST_S, after)
        found.append(turned(before.samples, move.samples, after.samples))
        before = after
    return mount_yaw(found)
