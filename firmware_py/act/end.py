"""One end's dead band, PID and return to target; one valve's rest from small motions.

Rates m/s at the cutting edge (or cylinder), > 0 raises. Error > 0: too high.
"""

from __future__ import annotations

import msgspec

from firmware_py.act.rate import EndRate
from firmware_py.guide.deadband import DeadBand
from firmware_py.settings import MM, Rig

FAR = 0.008  # m; taking over this far off its target, an end closes at approach speed
EDGE_SHARE = 0.8  # of the correction at the dead band's edge: it may reverse the oil
START = 0.006  # m/s; slower than this the oil does not start again the way it flowed last
REVERSE = 0.024  # m/s; nor the other way: small motions to and fro wear valves and grade nothing
STOP = 0.004  # m/s; once moving, it goes on down to this
OFTEN_HZ = 3.0  # reversals a second that a valve may do for long (specified), at a band of BAND
OFTEN_PER_M = 6.0  # of way, where that is more: the same at 0.5 m/s; ground shakes by the metre
BAND = 0.0015  # m; who sets a smaller dead band asks for as many times more
LEAST_BAND = 0.0001  # m; and for no more than with this
AT_ONCE_S = 2.0  # so many seconds' worth it may do in a row


class EndAction(msgspec.Struct, gc=False):
    """What was computed for one end at a tick."""

    predicted: float | None = None
    disturbance: float = 0.0
    rate: float = 0.0
    in_band: bool = False
    capped: bool = False


class EndLoop:
    """`update` while the end is led, `pause` while the machine stands, `rest` otherwise."""

    STATE = ("pid", "band", "running", "paused", "returning")

    def __init__(self, rig: Rig, gain: float, integral_s: float) -> None:
        self.cap = rig.limits.cap_mm_s * MM
        self.approach = rig.limits.approach_mm_s * MM
        self.gain = gain
        self.pid = EndRate(gain, integral_s, self.cap)
        control = rig.control
        self.band = DeadBand(control.dead_band_mm * MM, control.dead_band_release_pct / 100.0)
        self.running = self.paused = self.returning = False

    @property
    def settled(self) -> bool:
        """Led, and no longer closing a large error at approach speed."""
        return self.running and not self.returning

    @property
    def turn(self) -> float:
        """Least rate that may reverse the oil now, m/s: a correction outside the band may."""
        if not (self.running and self.band.correcting):
            return REVERSE
        return START if self.returning else min(REVERSE, EDGE_SHARE * self.gain * self.band.half)

    def often(self, speed: float) -> float:
        """Reversals a second that the valves may do for long at this speed (m/s)."""
        usual = max(OFTEN_HZ, OFTEN_PER_M * abs(speed))
        return usual * max(BAND / max(self.band.half, LEAST_BAND), 1.0)

    def rest(self) -> None:
        """Not led: the next start begins at rate 0."""
        if self.running or self.paused:
            self.pid.reset()
            self.band.reset()
        self.running = self.paused = self.returning = False

    def pause(self) -> None:
        """Standing: the integral is frozen, and goes on when the machine does."""
        if self.running:
            self.pid.pause()
            self.running, self.paused = False, True

    def update(self, now_s: float, dt: float, action: EndAction) -> float:
        """Rate to ask for from the predicted error and the ground's rate, m/s."""
        error = 0.0 if action.predicted is None else action.predicted
        if not self.running:
            if not self.paused:
                self.pid.start()
            self.running, self.paused, self.returning = True, False, abs(error) > FAR
        correction = self._correction(now_s, dt, error)
        action.in_band = not self.band.correcting
        rate = correction - action.disturbance
        action.capped = abs(rate) > self.cap
        if not action.capped:
            return rate
        return min(max(rate, -self.cap), self.cap)

    def _correction(self, now_s: float, dt: float, error: float) -> float:
        """P and I outside the dead band, at approach speed while returning; inside it nothing."""
        self.band.update(error)
        integrate = self.band.correcting and not self.returning
        # inside the band the PID is kept running on the error, so that it knows of no stall
        correction = self.pid.update(now_s, error, dt, integrate=integrate)
        if not self.band.correcting:
            correction = 0.0
        if self.returning:
            correction = min(max(correction, -self.approach), self.approach)
            # up to where P alone asks for approach speed: no jump when the limit ends
            self.returning = abs(error) * self.gain > self.approach
        return correction


class Quiet:
    """One valve: small rates only go on, they neither start nor reverse the oil, and it reverses
    no more often than it may. What the blade has cut can rock the machine so that it cuts the same
    again a little further on: a valve that follows each of these waves keeps them alive.
    """

    STATE = ("moving", "last", "spare")

    def __init__(self, tick_s: float) -> None:
        self.moving = self.last = 0
        self._tick_s = tick_s
        self.spare = AT_ONCE_S * OFTEN_HZ  # reversals that it may do now

    def reset(self) -> None:
        """Shut; the way it flowed last is remembered."""
        self.moving = 0

    def update(self, rate: float, turn: float = REVERSE, often: float = OFTEN_HZ) -> float:
        """The rate to ask for, m/s.

        turn: the least rate that may reverse the oil now; often: reversals a second, for long.
        """
        self.spare = min(self.spare + often * self._tick_s, AT_ONCE_S * often)
        sign = (rate > 0.0) - (rate < 0.0)
        reverses = sign != self.last
        least = turn if reverses else START
        if sign == self.moving:
            least = STOP
        if abs(rate) < least or (reverses and self.spare < 1.0):
            self.moving = 0
            return 0.0
        self.spare -= 1.0 if reverses else 0.0
        self.moving = self.last = sign
        return rate
