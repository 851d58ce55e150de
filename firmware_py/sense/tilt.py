"""Accelerometer and gyro -> roll and pitch of the blade, with gyro bias and standard deviations.

Axes x forward, y left, z up. Roll > 0: left end up. Pitch > 0: nose down. Yaw rate > 0: turning
left. The accelerometer reads specific force: +9.81 m/s2 on z, level and at rest.

Method. The gyro carries two gravity vectors along in the sensor's frame, which is the same as
holding them in an almost-inertial frame; there the accelerometer is low-passed twice, so that
motion to and fro averages out (the idea of Laidig and Seel, Information Fusion 91, 2023). Heading
is not needed, so no quaternion is kept. Beside the vectors run their derivatives by the gyro bias
(recursive prediction error method: Ljung and Soderstrom, Theory and Practice of Recursive
Identification, 1983); through these a Kalman filter learns the bias and corrects the tilt as well.
"""

import math
from dataclasses import dataclass, fields

from firmware_py.sense.vectors import (
    IDENTITY,
    TINY,
    Matrix,
    Vector,
    cross,
    kalman,
    mix,
    product,
    rotation,
    times,
)

STANDARD_GRAVITY = 9.80665  # m/s2: only scales innovations to angles, so local g does not matter
MAX_STEP_S = 0.1  # s: beyond this the rotation between two samples is guesswork
MAX_FORCE = 500.0  # m/s2 per axis: past any sensor's range; larger numbers are broken ones
MAX_RATE = 100.0  # rad/s per axis: the same
MIN_TRUST = 0.05  # ratio: a block trusted less than this says nothing of the bias
MIN_FIRST_FORCE = 0.5 * STANDARD_GRAVITY  # m/s2: a first sample below it is no gravity at all
BLOCK_S = 0.1  # s: innovations are averaged this long, which removes engine vibration (25-40 Hz)
START_TILT_SD = 0.02  # rad: one accelerometer sample with the engine running


@dataclass(frozen=True, slots=True)
class TiltSettings:
    """Constants of the estimator; one set serves a grading machine and hand-held recordings."""

    time_constant_s: float = 8.0  # s: motion averages out, and gyro drift has no time to grow
    bias_sd: float = math.radians(0.5)  # rad/s: gyro bias before anything was learnt
    bias_walk: float = math.radians(4e-3)  # rad/s per sqrt(s): warm-up of a small MEMS gyro
    gyro_noise: float = math.radians(0.006)  # rad/s per sqrt(Hz): datasheet 0.004, and vibration
    rest_sd: float = math.radians(0.02)  # rad/s: mean gyro over one block at rest, engine idling
    gravity_sd: float = 0.005  # rad: block mean of gravity's direction; motion is not white
    motion_share: float = 0.1  # ratio: share of the seen unrest (variance) added to gravity_sd^2
    shake_limit: float = 30.0  # m/s2 rms: unrest at which gravity's correction is halved
    shake_s: float = 1.0  # s: memory of the unrest

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"Tilt setting {field.name} is {value}; it must be above zero.")


def tilt_from_gravity(ax: float, ay: float, az: float) -> tuple[float, float]:
    """Roll and pitch (rad) of a sensor at rest from specific force in any unit; ValueError if 0.

    NXP AN3461 (Pedley), turned to our signs: roll = atan2(y, z), pitch = atan2(-x, |(y, z)|).
    """
    if not 0.0 < ax * ax + ay * ay + az * az < math.inf:
        raise ValueError(f"No tilt from specific force ({ax}, {ay}, {az}): zero or not finite.")
    return math.atan2(ay, az), math.atan2(-ax, math.hypot(ay, az))


def _refuse(what: str, limit: float, x: float, y: float, z: float) -> None:
    """ValueError if a number is not finite or beyond the limit (NaN fails every comparison)."""
    if not (-limit < x < limit and -limit < y < limit and -limit < z < limit):
        words = f"{what} of ({x}, {y}, {z}) is not finite or beyond {limit:g}"
        raise ValueError(f"Inertial sample refused: {words}; look at the sensor and its cable.")


class Tilt:
    """Roll, pitch, rates and gyro bias from a six-axis inertial sensor, sample by sample.

    bias: what the gyro reads at rest, rad/s; roll_rate, pitch_rate and yaw_rate (turning left
    > 0): the last sample's rates about x, y and z less that bias, rad/s.
    """

    STATE: tuple[str, ...] = (
        "bias", "roll_rate", "pitch_rate", "yaw_rate", "_first", "_second", "_lag_first",
        "_lag_second", "_bias_cov", "_turned", "_push", "_gyro_sum", "_kept", "_trusted_s",
        "_block_s", "_block_still", "_settled_s", "_shake", "_unrest", "_noise",
    )  # fmt: skip

    def __init__(self, settings: TiltSettings | None = None) -> None:
        self.settings = settings or TiltSettings()
        self.reset()

    def reset(self) -> None:
        """Forget everything, the bias too; the next sample starts afresh."""
        self.bias: Vector = (0.0, 0.0, 0.0)
        self.roll_rate = self.pitch_rate = self.yaw_rate = 0.0
        self._first: Vector = (0.0, 0.0, 0.0)  # m/s2: gravity after the first low-pass stage
        self._second: Vector = (0.0, 0.0, 0.0)  # m/s2: and after the second, the answer
        self._lag_first: Matrix = mix(0.0, IDENTITY, 0.0, IDENTITY)  # s: tilt error of each
        self._lag_second: Matrix = self._lag_first  # stage per bias error
        self._bias_cov: Matrix = mix(self.settings.bias_sd**2, IDENTITY, 0.0, IDENTITY)
        self._shake = 0.0  # (m/s2)^2: mean square of the unrest, sample by sample
        self._unrest = START_TILT_SD**2  # rad^2: the same of the blocks' tilt innovations
        self._noise = START_TILT_SD**2  # rad^2: tilt variance but for the bias' part
        self._settled_s = 0.0  # s of trusted time since the start; 0 means not started
        self._new_block()

    def _new_block(self) -> None:
        self._turned: Matrix = IDENTITY  # rotation since the block began
        self._push: Vector = (0.0, 0.0, 0.0)  # m/s: innovations, carried along and summed
        self._gyro_sum: Vector = (0.0, 0.0, 0.0)  # rad
        self._kept = 1.0  # share of the first stage that the block's corrections left
        self._trusted_s = self._block_s = 0.0
        self._block_still = True

    def update(  # noqa: PLR0917  a sample is seven numbers, in the order of samples.py
        self, dt_s: float, ax: float, ay: float, az: float, gx: float, gy: float, gz: float, *,
        trust: float = 1.0, ext_ax: float = 0.0, ext_ay: float = 0.0, still: bool = False,
    ) -> None:  # fmt: skip
        """Take one sample: specific force (m/s2) and gyro (rad/s) means over the dt_s s up to now.

        trust 0..1 scales gravity's correction; ext_ax, ext_ay (m/s2) are accelerations known
        from elsewhere and taken out; still says that the machine stands, so the gyro reads its
        bias. ValueError on numbers not finite or out of range; nothing changes then.
        """
        if not 0.0 < dt_s <= MAX_STEP_S:
            raise ValueError(f"Tilt step of {dt_s} s: it must be above 0 and at most {MAX_STEP_S}.")
        if not 0.0 <= trust <= 1.0:
            raise ValueError(f"Trust in gravity is {trust}; it must lie between 0 and 1.")
        _refuse("specific force (m/s2)", MAX_FORCE, ax, ay, az)
        _refuse("gyro rate (rad/s)", MAX_RATE, gx, gy, gz)
        _refuse("known acceleration (m/s2)", MAX_FORCE, ext_ax, ext_ay, 0.0)
        force = (ax - ext_ax, ay - ext_ay, az)
        if self._settled_s == 0.0:
            if math.hypot(*force) < MIN_FIRST_FORCE:
                raise ValueError(f"First specific force {force} m/s2 is not gravity; check it.")
            self._first = self._second = force
            self._settled_s = TINY
        b, c, d = self.bias
        self.roll_rate, self.pitch_rate, self.yaw_rate = x, y, z = gx - b, gy - c, gz - d
        self._carry(rotation(-x * dt_s, -y * dt_s, -z * dt_s))
        self._correct(dt_s, force, trust)
        x, y, z = self._gyro_sum
        self._gyro_sum = (x + gx * dt_s, y + gy * dt_s, z + gz * dt_s)
        self._block_s += dt_s
        self._block_still = self._block_still and still
        if self._block_s > BLOCK_S - 1e-6:
            self._end_block()

    def turn(self, angle: float) -> None:
        """Turn all that is held about z, left > 0, rad: the sensor's mounting is known better.

        Spreads and lags are nearly alike about x and y and stay as they are.
        """
        step = rotation(0.0, 0.0, angle)
        self.bias = times(step, self.bias)
        self._gyro_sum = times(step, self._gyro_sum)
        self._first, self._second = times(step, self._first), times(step, self._second)
        self._push = times(step, self._push)

    def _carry(self, step: Matrix) -> None:
        """Turn all that is held in the sensor's frame, against the frame's own rotation."""
        self._first = times(step, self._first)
        self._second = times(step, self._second)
        self._push = times(step, self._push)
        self._turned = product(step, self._turned)

    def _correct(self, dt_s: float, force: Vector, trust: float) -> None:
        """One step of the two low-pass stages, quick at first, slow under shake and shock."""
        s = self.settings
        x, y, z = self._first
        ex, ey, ez = force[0] - x, force[1] - y, force[2] - z
        square = ex * ex + ey * ey + ez * ez
        self._shake += dt_s / (dt_s + s.shake_s) * (square - self._shake)
        weight = trust / (1.0 + self._shake / s.shake_limit**2)
        stage_s = min(0.5 * s.time_constant_s, self._settled_s)  # at first a plain mean
        gain = weight * dt_s / (dt_s + stage_s)
        self._first = x, y, z = x + gain * ex, y + gain * ey, z + gain * ez
        u, v, w = self._second
        self._second = u + gain * (x - u), v + gain * (y - v), w + gain * (z - w)
        self._kept *= 1.0 - gain
        part = weight * dt_s
        x, y, z = self._push
        self._push = x + part * ex, y + part * ey, z + part * ez
        self._trusted_s += part
        self._settled_s += part

    def _end_block(self) -> None:
        """Derivatives by the bias, then what the block says of the bias, then the tilt's noise."""
        s, span, kept = self.settings, self._block_s, self._kept
        made = mix(0.5 * span, self._turned, 0.5 * span, IDENTITY)
        first = mix(1.0, product(self._turned, self._lag_first), 1.0, made)
        second = mix(1.0, product(self._turned, self._lag_second), 1.0, made)
        self._lag_second = mix(kept, second, 1.0 - kept, first)
        self._lag_first = mix(kept, first, 0.0, first)
        noise = kept**2 * self._noise + (1.0 - kept) ** 2 * s.motion_share * self._unrest
        self._noise = noise + s.gyro_noise**2 * span
        self._bias_cov = mix(1.0, self._bias_cov, s.bias_walk**2 * span, IDENTITY)
        if self._trusted_s > MIN_TRUST * span:
            self._learn_from_gravity()
        if self._block_still:
            x, y, z = self._gyro_sum
            b, c, d = self.bias
            self._learn(IDENTITY, (x / span - b, y / span - c, z / span - d), s.rest_sd**2)
        self._new_block()

    def _learn_from_gravity(self) -> None:
        """The block's mean tilt innovation, square to gravity, measures the bias."""
        s = self.settings
        size = math.hypot(*self._second) or 1.0
        x, y, z = up = (self._second[0] / size, self._second[1] / size, self._second[2] / size)
        along = (x * x, x * y, x * z, y * x, y * y, y * z, z * x, z * y, z * z)
        rows = product(mix(1.0, IDENTITY, -1.0, along), self._lag_first)
        scale = 1.0 / (STANDARD_GRAVITY * self._trusted_s)
        x, y, z = cross(up, self._push)
        seen = (x * scale, y * scale, z * scale)
        square = (x * x + y * y + z * z) * scale**2
        self._unrest += BLOCK_S / (BLOCK_S + s.shake_s) * (square - self._unrest)
        var = s.gravity_sd**2 + s.motion_share * self._unrest
        self._learn(rows, seen, var * BLOCK_S / self._trusted_s)

    def _learn(self, rows: Matrix, seen: Vector, var: float) -> None:
        """Kalman update of the bias by seen = rows x bias error, the tilt corrected along."""
        step, self._bias_cov = kalman(self._bias_cov, rows, seen, var)
        x, y, z = self.bias
        self.bias = (x + step[0], y + step[1], z + step[2])
        x, y, z = self._first
        u, v, w = cross(times(self._lag_first, step), self._first)
        self._first = (x + u, y + v, z + w)
        x, y, z = self._second
        u, v, w = cross(times(self._lag_second, step), self._second)
        self._second = (x + u, y + v, z + w)

    def _tilt_sd(self, row: Vector) -> float:
        """Standard deviation (rad) of the tilt about one axis; row: its lag behind the bias."""
        spread = times(self._bias_cov, row)
        part = row[0] * spread[0] + row[1] * spread[1] + row[2] * spread[2]
        return math.sqrt(self._noise + part)

    @property
    def bias_sd(self) -> float:
        """Standard deviation of the gyro's bias about x or y, rad/s: the larger one."""
        return math.sqrt(max(self._bias_cov[0], self._bias_cov[4]))

    @property
    def roll(self) -> float:
        """Left end up > 0, rad; 0 before the first sample."""
        return math.atan2(self._second[1], self._second[2])

    @property
    def pitch(self) -> float:
        """Nose down > 0, rad; 0 before the first sample."""
        return math.atan2(-self._second[0], math.hypot(self._second[1], self._second[2]))

    @property
    def roll_sd(self) -> float:
        """Standard deviation of roll, rad, at small tilt; without the accelerometer's own bias."""
        return self._tilt_sd(self._lag_second[0:3])

    @property
    def pitch_sd(self) -> float:
        """Standard deviation of pitch, rad, at small tilt; without the accelerometer's own bias."""
        return self._tilt_sd(self._lag_second[3:6])
