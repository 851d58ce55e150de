"""What the tracks go over: rough ground as the gyros foretell it, and the edge's own path.

Roll is the two tracks' difference. Pitch is their mean, with the height that goes with it. Where
the tracks are found to go over what the edge left, that is known beforehand (trail.py), and only
what else the gyros see is left to be predicted (ground.py). Rates of the blade's middle: m/s,
rad/s.
"""

from __future__ import annotations

from firmware_py.fuse.ground import SLOPE_PSD, Geometry, GroundRate
from firmware_py.fuse.trail import Trail
from firmware_py.settings import MM, Rig

GYRO_WHITE = 2e-5  # (rad/s)^2 of one tick: noise, and ground that no track model foresees
GYRO_ENGINE = 3.5e-5  # (rad/s)^2; vibration, 0.35 deg/s rms
CREEP = 0.1  # m/s; below this neither bend nor crab nor ground can be told
Rates = tuple[float, float]  # at a time ahead, and the mean until then


class Under:
    """`feel` once a tick, then read; `leave` when the blade's height is known."""

    STATE = ("roll", "pitch", "trail", "trail_roll", "trail_pitch")

    def __init__(self, rig: Rig, aheads_s: list[float]) -> None:
        self.ahead = rig.blade.ahead_mm * MM
        self.roll, self.pitch = _grounds(rig, aheads_s)
        # what the edge's own path makes the tracks do, seen through the same prediction
        self.trail_roll, self.trail_pitch = _grounds(rig, aheads_s)
        self.trail = Trail(rig.tracks.length_mm * MM, self.ahead)

    def feel(self, dt: float, speed: float, roll_rate: float, slope_rate: float) -> None:
        """What the ground did to roll and slope (nose up > 0), and what the path said it would."""
        self.roll.push(roll_rate)
        self.pitch.push(slope_rate)
        covers = self.trail.covers and speed > CREEP
        _, slope, roll = self.trail.rates(0.0) if covers else (0.0, 0.0, 0.0)
        self.trail_roll.push(roll * speed)
        self.trail_pitch.push(slope * speed)
        if covers:
            self.trail.learn(self.trail_pitch.lately(), self.pitch.lately(), speed * dt)

    @property
    def on_trail(self) -> bool:
        """True while the tracks are believed to go over what the edge left."""
        return self.trail.trusted and self.trail.covers

    def hidden(self, speed: float) -> float:
        """Rise of the track centre that the gyros do not show, m/s."""
        if speed < CREEP:
            return 0.0
        seen = self.pitch.hidden(speed)
        if not self.on_trail:
            return seen
        return seen - self.trail_pitch.hidden(speed) + speed * self.trail.rates(0.0)[0]

    def ahead_of(self, ahead_s: float, speed: float) -> tuple[Rates, Rates]:
        """Rise of the blade by pitching, and roll rate: ahead_s from now, and until then."""
        roll, rise = self.roll.ahead(ahead_s, speed), self.pitch.ahead(ahead_s, speed)
        if not self.on_trail:
            return rise, roll
        pitched = self.trail_pitch.ahead(ahead_s, speed)
        rolled = self.trail_roll.ahead(ahead_s, speed)
        # the mean until then is that of the way's middle
        then, mean = (self._path(part * ahead_s * speed, speed) for part in (1.0, 0.5))
        return (
            (rise[0] - pitched[0] + then[0], rise[1] - pitched[1] + mean[0]),
            (roll[0] - rolled[0] + then[1], roll[1] - rolled[1] + mean[1]),
        )

    def _path(self, on: float, speed: float) -> Rates:
        """What the edge's path does when the tracks are `on` m further: rise of the blade, roll."""
        mean, slope, roll = self.trail.rates(on)
        return speed * (mean + self.ahead * slope), speed * roll


def _grounds(rig: Rig, aheads_s: list[float]) -> tuple[GroundRate, GroundRate]:
    """Predictors of roll, and of pitch with the mean height that goes with it."""
    length, gauge = rig.tracks.length_mm * MM, rig.tracks.gauge_mm * MM
    ahead, tick = rig.blade.ahead_mm * MM, 1.0 / rig.control.tick_hz
    noise = (GYRO_WHITE, GYRO_ENGINE)
    roll = Geometry(length, (1.0, 0.0), (1.0, 0.0), 2.0 * SLOPE_PSD / gauge**2, tick, *noise)
    pitch = Geometry(length, (0.0, 1.0), (1.0, ahead), 0.5 * SLOPE_PSD, tick, *noise)
    grounds = GroundRate(roll), GroundRate(pitch)
    for ground in grounds:
        ground.prepare(aheads_s)
    return grounds
