"""From errors to valve commands: prediction, PID in rate, feed-forward, cylinders, limiter.

Prediction: the motion already under way in the dead time, and what the ground will do until a
new command has taken effect, are added to the error; the PID then sees an almost delay-free
integrator. The disturbance expected at that time is fed forward. Rates m/s, > 0 raises.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.samples import ValveCommand
from firmware_py.act.cylinders import cylinders_from_ends, ends_from_cylinders
from firmware_py.act.limiter import NEUTRAL, Limiter
from firmware_py.act.rate import EndRate, simc_gain, simc_integral
from firmware_py.act.valve import Characteristic, Pulser
from firmware_py.fuse.blade import Blade
from firmware_py.fuse.gain import RANGE
from firmware_py.guide.deadband import DeadBand
from firmware_py.messages import SIDES, EndState, Side
from firmware_py.settings import MM, Rig

UNSURE_SHARE = 0.35  # of the dead time: what the prediction may be wrong by
FAR = 0.008  # m; taking over this far off its target, an end closes at approach speed
NEAR = 0.004  # m; once this near its target an end no longer closes at approach speed
START = 0.006  # m/s; slower than this the oil does not start again the way it flowed last
REVERSE = 0.024  # m/s; nor the other way: small motions to and fro wear valves and grade nothing
STOP = 0.004  # m/s; once moving, it goes on down to this
ACTIVE = (EndState.LED, EndState.COAST)


@dataclass(slots=True)
class EndAction:
    """What was computed for one end."""

    predicted: float | None = None
    disturbance: float = 0.0
    rate: float = 0.0
    in_band: bool = False
    capped: bool = False


class EndLoop:
    """One end's dead band, PID and return to target."""

    STATE = ("pid", "band", "running", "returning")

    def __init__(self, rig: Rig, gain: float, integral_s: float) -> None:
        self.cap = rig.limits.cap_mm_s * MM
        self.approach = rig.limits.approach_mm_s * MM
        self.pid = EndRate(gain, integral_s, self.cap)
        control = rig.control
        self.band = DeadBand(control.dead_band_mm * MM, control.dead_band_release_pct / 100.0)
        self.running = self.returning = False

    def rest(self) -> None:
        """Not led: the next start begins at rate 0."""
        if self.running:
            self.pid.reset()
            self.band.reset()
        self.running = False

    def update(self, now_s: float, dt: float, action: EndAction, forward: float) -> float:
        """Rate to ask for from the predicted error and the feed-forward, m/s."""
        error = action.predicted if action.predicted is not None else 0.0
        if not self.running:
            self.pid.start()
            self.running, self.returning = True, abs(error) > FAR
        inside = self.band.update(error)
        action.in_band = not self.band.correcting
        correction = self.pid.update(now_s, inside, dt, integrate=not self.returning)
        if self.returning:
            correction = min(max(correction, -self.approach), self.approach)
            self.returning = abs(error) > NEAR
        rate = correction + forward
        action.capped = abs(rate) > self.cap
        return min(max(rate, -self.cap), self.cap)


class Quiet:
    """One valve: small rates only go on, they neither start nor reverse the oil."""

    STATE = ("moving", "last")

    def __init__(self) -> None:
        self.moving = self.last = 0

    def update(self, rate: float) -> float:
        """The cylinder rate to ask for, m/s."""
        sign = (rate > 0.0) - (rate < 0.0)
        least = REVERSE if sign != self.last else START
        if sign == self.moving:
            least = STOP
        if abs(rate) < least:
            self.moving = 0
            return 0.0
        self.moving = self.last = sign
        return rate


class Actuate:
    """Both ends to one ValveCommand. Keeps the lift models told of what really went out."""

    STATE = ("loops", "quiets", "limiter", "pulsers")

    def __init__(self, rig: Rig) -> None:
        self.valves = rig.valves
        self.tick_s = 1.0 / rig.control.tick_hz
        self.actions = {side: EndAction() for side in SIDES}
        self.ground = dict.fromkeys(SIDES, (0.0, 0.0))
        gain, integral = self._gains(rig)
        self.loops = {side: EndLoop(rig, gain, integral) for side in SIDES}
        self.quiets = {side: Quiet() for side in SIDES}
        ticks = round((rig.valves.pulse_ms if rig.valves else 100.0) * 1e-3 / self.tick_s)
        self.pulsers = {side: Pulser(ticks) for side in SIDES}
        self.limiter = Limiter(1.0, 1.0)
        if rig.valves is None:
            return
        self.character = Characteristic.of(rig.valves)
        self.ratio = rig.blade.width_mm / 2 / rig.valves.cylinder_left_mm
        if not rig.valves.pulsed:
            # slower than stated, a valve needs more command for the same rate
            cap = rig.limits.cap_mm_s * MM
            up, down = self.character.command(cap, RANGE[0]), self.character.command(-cap, RANGE[0])
            self.limiter = Limiter(up, -down)

    def _gains(self, rig: Rig) -> tuple[float, float]:
        dead = rig.valves.dead_time_ms * 1e-3 if rig.valves else 0.0
        left = UNSURE_SHARE * dead + self.tick_s
        gain = rig.control.gain_per_s or simc_gain(left)
        return gain, rig.control.integral_s or 8.0 * simc_integral(left)

    def foresee(self, blade: Blade) -> None:
        """What the ground will do until a command given now has taken effect."""
        until = blade.valve_gain.dead_s + 0.5 * self.tick_s + blade.lifts[Side.LEFT].lag_s
        self.ground = blade.disturbance(until)

    def predict(self, side: Side, error: float | None, blade: Blade) -> EndAction:
        """Error by the time that a new command has taken effect, and the ground's rate then."""
        action = EndAction()
        self.actions[side] = action
        if error is None:
            return action
        found, lift = blade.valve_gain, blade.lifts[side]
        dead, lag = found.dead_s + 0.5 * self.tick_s, lift.lag_s
        until = dead + lag
        action.disturbance, mean = self.ground[side]
        ground = mean * until
        coming = found.gain * (lift.under_way(found.dead_s) + lift.rate * lag)
        action.predicted = error + coming + ground
        return action

    def command(
        self, now_s: float, dt: float, states: dict[Side, EndState], allowed: bool, blade: Blade
    ) -> ValveCommand:
        """Commands for both valves; ends that are not led ask for no motion."""
        rates = {}
        for side in SIDES:
            loop, action = self.loops[side], self.actions[side]
            if allowed and states[side] in ACTIVE and action.predicted is not None:
                rates[side] = loop.update(now_s, dt, action, -action.disturbance)
            else:
                loop.rest()
                rates[side] = 0.0
            action.rate = rates[side]
        if self.valves is None:
            return ValveCommand(now_s, *NEUTRAL)
        return self._valves(now_s, rates, states, allowed, blade)

    def _valves(
        self, now_s: float, rates: dict[Side, float], states: dict[Side, EndState],
        allowed: bool, blade: Blade,
    ) -> ValveCommand:  # fmt: skip
        gain = blade.valve_gain.gain
        left, right = cylinders_from_ends(rates[Side.LEFT], rates[Side.RIGHT], self.ratio)
        # a held end's valve stays shut, though the other end's motion then moves it a little
        wanted = {
            side: self.quiets[side].update(rate) if states[side] in ACTIVE else 0.0
            for side, rate in ((Side.LEFT, left), (Side.RIGHT, right))
        }
        asked = [self._one(side, wanted[side], gain) for side in SIDES]
        out = self.limiter.update(now_s, asked[0], asked[1], allowed)
        moved = ends_from_cylinders(
            self.character.rate(out[0]), self.character.rate(out[1]), self.ratio
        )
        for side, rate in zip(SIDES, moved, strict=True):
            blade.lifts[side].push(rate)
        return ValveCommand(now_s, *out)

    def _one(self, side: Side, rate: float, gain: float) -> float:
        if self.valves is not None and self.valves.pulsed:
            full = (self.character.up if rate > 0 else self.character.down) * gain
            return self.pulsers[side].update(rate / full)
        return self.character.command(rate, gain)
