"""All devices' samples into what the fusion needs: attitude, speed of sound, speed, hands.

Signs by ISO 8855. What intake refuses never gets further; what is missing stays None.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.samples import (
    OK,
    AirSample,
    AnySample,
    DriverSample,
    InertialSample,
    LeaseSample,
    MotionSample,
    RangePing,
)
from firmware_py.messages import LEFT, RIGHT, Side
from firmware_py.sense.elements import ElementCorrection
from firmware_py.sense.intake import AIR, FORCE, Intake
from firmware_py.sense.mount import MountYaw
from firmware_py.sense.sound import speed_from_reflector, speed_of_sound
from firmware_py.sense.tilt import MIN_FIRST_FORCE, Tilt, TiltSettings
from firmware_py.sense.trend import Trend
from firmware_py.settings import DEG, MM, Bar, Rig

SPEED_OLD_S = 0.5  # s; a speed older than this is not known
SPEED_SMOOTH_S = 0.1
THRUST_SMOOTH_S = 0.3  # s; of the forward acceleration, from a noisy speed
YAW_SMOOTH_S = 0.1
TURNING = 0.02  # rad/s; turning faster at unknown speed, gravity is not trusted
REST_MPS = 0.02  # m/s; slower than this for REST_S the machine stands, and biases are learnt
REST_S = 1.0
AIR_NOISE = 0.2  # K; 1 sigma of a cheap thermometer
AIR_CHANGE = 2e-4  # K/s per sqrt(s); how fast the trend of outdoor air changes
AIR_RESTART = 5.0  # K; a reading this far off is another air, not noise
REFLECTOR_NEAR = 0.05  # of its distance: how far off its echo may lie
REFLECTOR_SHARE = 0.02  # of each reflector reading taken over
GAP_S = 0.1  # s; longest step that the tilt accepts
# rad/s; gyro bias known so well that the tilt is the blade's. Standing a second gives it, driving
# some five. On the simulated rig 11 of 48 starts that engaged within a second of the first tick
# lost their reference at once; engaged 1.5 s after it and later, none of 120 did.
SETTLED = 0.05 * DEG


class Senses:
    """`take` the samples of a tick; then read the attributes."""

    STATE = (
        "intakes", "tilt", "mount", "inertial_s", "speed", "speed_s", "thrust", "yaw", "yaw_slope",
        "still_s", "sound", "air", "air_s", "air_trend", "enable", "hands", "distance", "unknown",
        "count", "may_rest", "turn", "fresh", "warmth", "armed",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        kinds: dict[str, type[AnySample]] = {
            rig.inertial.device: InertialSample,
            rig.air.device: AirSample,
            rig.motion.device: MotionSample,
            rig.driver.device: DriverSample,
        }
        if rig.valves is not None and rig.valves.leased:
            kinds[rig.valves.device] = LeaseSample
        self.intakes = {name: Intake(name, kind=kind) for name, kind in kinds.items()}
        self.sides: dict[str, Side] = {}
        self.reflecting: dict[str, Bar] = {}
        for side, bar in rig.bars.items():
            self.intakes[bar.device] = Intake(bar.device, bar.elements, RangePing)
            self.sides[bar.device] = side
            if bar.reflector_mm is not None:
                self.reflecting[bar.device] = bar
        found = rig.calibration.bars
        self.corrections = {
            rig.bars[side].device: ElementCorrection(one) for side, one in found.items()
        }
        self.tilt = Tilt(TiltSettings(time_constant_s=rig.inertial.time_constant_s))
        self.mount = MountYaw(rig.inertial.mount_yaw_deg * DEG)
        self.zero = (rig.inertial.zero_roll_deg * DEG, rig.inertial.zero_pitch_deg * DEG)
        self.arm = (rig.inertial.ahead_mm * MM, rig.inertial.left_mm * MM)
        self.inertial_s: float | None = None
        self.speed: float | None = None
        self.speed_s = -math.inf
        self.thrust = self.yaw = self.yaw_slope = self.still_s = 0.0
        self.sound: float | None = None
        self.air: float | None = None
        self.air_s = -math.inf
        self.air_trend = Trend()
        self.may_rest = True  # no valve moves the blade, so that rest is rest
        self.enable = self.armed = False
        self.hands = dict.fromkeys(Side, False)
        self.distance: float | None = None
        self.unknown = 0
        self.count = self.fresh = 0
        self.warmth: float | None = None  # C, of the inertial sensor
        self.turn = (0.0, 0.0, 0.0)  # rad/s, summed over the samples since the last tick

    def take(self, now_s: float, samples: Sequence[AnySample]) -> list[RangePing]:
        """Take a tick's samples; the pings that passed come back, for the tracks."""
        pings: list[RangePing] = []
        for sample in samples:
            intake = self.intakes.get(sample.device)
            if intake is None:  # a simulated rig has no lease to ask for
                self.unknown += type(sample) is not LeaseSample
            elif intake.accept(sample, now_s):
                if isinstance(sample, RangePing):
                    pings.append(self._reflect(self._corrected(sample)))
                else:
                    self._one(sample)
        if now_s - self.speed_s > SPEED_OLD_S:
            self.speed = None
        return pings

    def new_clock(self) -> None:
        """The clock jumped: what was timed by it before says nothing of what comes."""
        for intake in self.intakes.values():
            intake.new_clock()
        self.inertial_s, self.speed = None, None
        self.speed_s = self.air_s = -math.inf

    def dropped(self) -> int:
        """Samples refused since the start."""
        total = self.unknown
        for intake in self.intakes.values():
            total += intake.dropped
        return total

    def attitude(self) -> tuple[float, float, float, float, float, float]:
        """Roll, pitch (rad), their rates and the yaw rate (rad/s), variance of the roll.

        Rates over the samples since the last call; body rates to derivatives of the angles for
        the order yaw, pitch, roll (any text on rotation kinematics).
        """
        t = self.tilt
        n = self.fresh
        if n:
            (x, y, z), (b, c, d) = self.turn, t.bias
            x, y, z = x / n - b, y / n - c, z / n - d
        else:
            x, y, z = t.roll_rate, t.pitch_rate, t.yaw_rate
        self.turn, self.fresh = (0.0, 0.0, 0.0), 0
        roll, pitch = t.roll, t.pitch
        sine, cosine = math.sin(roll), math.cos(roll)
        across = y * sine + z * cosine
        roll_rate = x + across * math.tan(pitch)
        pitch_rate = y * cosine - z * sine
        variance = t.roll_sd * t.roll_sd
        return roll - self.zero[0], pitch - self.zero[1], roll_rate, pitch_rate, across, variance

    @property
    def has_attitude(self) -> bool:
        return self.count > 0

    @property
    def settled(self) -> bool:
        """Whether the gyro's bias is known, without which the tilt wanders with the first move."""
        return self.has_attitude and self.tilt.bias_sd <= SETTLED

    def _one(self, sample: AnySample) -> None:
        if isinstance(sample, InertialSample):
            self._inertial(sample)
        elif sample.validity is not OK:
            return
        elif isinstance(sample, MotionSample):
            self._motion(sample)
        elif isinstance(sample, AirSample):
            self._air(sample)
        elif isinstance(sample, DriverSample):
            self.enable = sample.enable
            self.hands = {LEFT: sample.left_hand, RIGHT: sample.right_hand}
        elif isinstance(sample, LeaseSample):
            self.armed = sample.armed

    def _inertial(self, s: InertialSample) -> None:
        last, self.inertial_s = self.inertial_s, s.time_s
        self.warmth = self.warmth if s.temperature_c is None else s.temperature_c
        if last is None or s.time_s - last > GAP_S:
            return
        dt = s.time_s - last
        ax, ay = self.mount.level(s.ax, s.ay)
        gx, gy = self.mount.level(s.gx, s.gy)
        self._yaw(dt, s.gz - self.tilt.bias[2])
        v = self.speed
        trust = 0.0 if v is None and abs(self.yaw) > TURNING else 1.0
        ahead, left = self.arm
        w, slope = self.yaw, self.yaw_slope
        turn_x = self.thrust - w * w * ahead - slope * left
        turn_y = (0.0 if v is None else v * w) + slope * ahead - w * w * left
        if not (abs(turn_x) <= FORCE and abs(turn_y) <= FORCE):  # no machine turns like that
            trust = turn_x = turn_y = 0.0
        if not self.count and math.hypot(ax - turn_x, ay - turn_y, s.az) < MIN_FIRST_FORCE:
            return  # no gravity to begin from
        rests = self._resting(dt)
        self.tilt.update(
            dt, ax, ay, s.az, gx, gy, s.gz, trust=trust, ext_ax=turn_x, ext_ay=turn_y,
            still=rests,
        )  # fmt: skip
        self._learn_mount(dt, rests)
        self.count += 1
        x, y, z = self.turn
        self.turn = (x + gx, y + gy, z + s.gz)
        self.fresh += 1

    def _learn_mount(self, dt: float, rests: bool) -> None:
        """The mounting yaw from a blade that is lifted at rest."""
        t, v = self.tilt, self.speed
        lifted = v is not None and abs(v) < REST_MPS and not rests
        sd = t.bias_sd if lifted else 0.0
        change = self.mount.update(dt, t.roll_rate, t.pitch_rate, sd, lifted=lifted)
        if change:
            t.turn(change)

    def _yaw(self, dt: float, rate: float) -> None:
        before = self.yaw
        self.yaw += (rate - self.yaw) * min(1.0, dt / YAW_SMOOTH_S)
        self.yaw_slope = (self.yaw - before) / dt

    def _resting(self, dt: float) -> bool:
        still = self.speed is not None and abs(self.speed) < REST_MPS and self.may_rest
        self.still_s = self.still_s + dt if still else 0.0
        return self.still_s > REST_S

    def _motion(self, s: MotionSample) -> None:
        self.distance = s.distance_m
        if s.speed_mps is None:
            return
        dt = s.time_s - self.speed_s
        if self.speed is None or not 0.0 < dt < 1.0:
            self.speed, self.thrust = s.speed_mps, 0.0
        else:
            before = self.speed
            self.speed += (s.speed_mps - self.speed) * min(1.0, dt / SPEED_SMOOTH_S)
            slope = (self.speed - before) / dt
            self.thrust += (slope - self.thrust) * min(1.0, dt / THRUST_SMOOTH_S)
        self.speed_s = s.time_s

    def _air(self, s: AirSample) -> None:
        if s.temperature_c is None:
            return
        dt = s.time_s - self.air_s
        self.air_s = s.time_s
        if self.air is None or not 0.0 < dt < 30.0 or abs(s.temperature_c - self.air) > AIR_RESTART:
            self.air_trend.reset()
            self.air_trend.start(s.temperature_c, AIR_NOISE)
        else:
            self.air_trend.update(dt, s.temperature_c, AIR_CHANGE**2, AIR_NOISE**2)
        # a housing follows the air late: what it reads, and its trend over that lag
        air = self.air_trend.rate + self.air_trend.slope * self.rig.air.lag_s
        self.air = min(max(air, AIR[0]), AIR[1])
        if not any(bar.reflector_mm for bar in self.rig.bars.values()) or self.sound is None:
            self.sound = speed_of_sound(self.air)

    def _corrected(self, ping: RangePing) -> RangePing:
        """Each element's own zero and scale taken out, where they were found."""
        found = self.corrections.get(ping.device)
        return ping if found is None or not self.sound else found.ping(ping, self.sound)

    def _reflect(self, ping: RangePing) -> RangePing:
        """Where a bar has a fixed reflector, its echo gives the speed of sound and is taken out."""
        bar = self.reflecting.get(ping.device)
        if bar is None or bar.reflector_element != ping.element or not self.sound:
            return ping
        distance = (bar.reflector_mm or 0.0) * MM
        kept = []
        for echo in ping.echoes:
            speed = speed_from_reflector(distance, echo.flight_s)
            if speed is None or abs(speed / self.sound - 1.0) > REFLECTOR_NEAR:
                kept.append(echo)
            else:
                self.sound += REFLECTOR_SHARE * (speed - self.sound)
        return RangePing(ping.device, ping.time_s, ping.validity, ping.element, tuple(kept))
