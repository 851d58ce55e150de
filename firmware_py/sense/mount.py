"""Mounting yaw of the inertial sensor, seen when one end is lifted while the machine stands.

A machine that stands on its tracks does not pitch, so what the gyro shows as pitching while the
cylinders roll the blade is the roll, seen by a sensor that is turned. Yaw > 0: sensor turned
left. On a grade g the yaw m costs g sin(m) of crossfall: 1 degree on 8 % is 0.14 %.
"""

from __future__ import annotations

import math

YAW_SD = math.radians(1.0)  # rad; of a sensor screwed on by eye: common practice, no source
SPAN_S = 1.0  # s of motion that make one sighting
WHITE = math.radians(0.012)  # rad per sqrt(s); twice what Tilt counts on for a gyro at rest
ENGINE = math.radians(0.006)  # rad; an engine shakes to and fro and adds up to no more
ROCKS = 0.003  # of the roll; how much the tracks may give way when the blade's load shifts
LEAST_ROLL = 0.005  # rad; 9 mm at one end of 1.8 m: less tells the yaw to no better than 2 degrees
DOUBT = 9.0  # sigma^2; a sighting farther off is a machine that somebody else moved


class MountYaw:
    """`update` with each gyro sample; `yaw` is what is believed, rad, `variance` how surely."""

    STATE = ("yaw", "variance", "cosine", "sine", "_rolled", "_pitched", "_span_s")

    def __init__(self, yaw: float) -> None:
        self.variance = YAW_SD * YAW_SD
        self._set(yaw)
        self._clear()

    def _set(self, yaw: float) -> None:
        self.yaw, self.cosine, self.sine = yaw, math.cos(yaw), math.sin(yaw)

    def _clear(self) -> None:
        self._rolled = self._pitched = self._span_s = 0.0

    def level(self, ahead: float, left: float) -> tuple[float, float]:
        """A reading of the sensor's x and y along the blade's forward and left."""
        c, s = self.cosine, self.sine
        return ahead * c - left * s, ahead * s + left * c

    def update(
        self, dt: float, roll_rate: float, pitch_rate: float, bias_sd: float, *, lifted: bool
    ) -> float:
        """Take rates less their bias, in the blade's frame; what the yaw changed by, rad.

        lifted: the machine stands, and its valves or hands move the blade or just did.
        """
        if not lifted:
            self._clear()
            return 0.0
        self._rolled += roll_rate * dt
        self._pitched += pitch_rate * dt
        self._span_s += dt
        if self._span_s < SPAN_S:
            return 0.0
        change = self._sight(bias_sd)
        self._clear()
        return change

    def _sight(self, bias_sd: float) -> float:
        """One sighting: pitched = -(yaw still unknown) * rolled + noise."""
        rolled, span = self._rolled, self._span_s
        if abs(rolled) < LEAST_ROLL:
            return 0.0
        noise = WHITE**2 * span + ENGINE**2 + (bias_sd * span) ** 2 + (ROCKS * rolled) ** 2
        spread = self.variance * rolled * rolled + noise
        if self._pitched**2 > DOUBT * spread:
            return 0.0
        change = -self.variance * rolled / spread * self._pitched
        self.variance *= noise / spread
        self._set(self.yaw + change)
        return change
