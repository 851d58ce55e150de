"""From errors to valve commands: prediction, PID in rate, feed-forward, cylinders, limiter.

Prediction: the motion already under way in the dead time, and what the ground will do until a
new command has taken effect, are added to the error; the PID then sees an almost delay-free
integrator. The disturbance expected at that time is fed forward. Rates m/s, > 0 raises.
"""

from __future__ import annotations

import math

from drivers.samples import ValveCommand
from firmware_py.act.cylinders import ends_from_valves, valves_from_ends
from firmware_py.act.end import EndAction, EndLoop, Quiet
from firmware_py.act.limiter import NEUTRAL, Limiter
from firmware_py.act.rate import simc_gain, simc_integral
from firmware_py.act.valve import Characteristic, Pulser
from firmware_py.fuse.blade import Blade
from firmware_py.fuse.gain import RANGE
from firmware_py.messages import LEFT, RIGHT, SIDES, EndState, Side
from firmware_py.settings import MM, Rig

UNSURE_SHARE = 0.35  # of the dead time: what the prediction may be wrong by
INTEGRAL_SLOWER = 8.0  # times SIMC's integral time
ACTIVE = (EndState.LED, EndState.COAST)


class Actuate:
    """Both ends to one ValveCommand. Keeps the lift models told of what really went out."""

    STATE = ("loops", "quiets", "limiter", "pulsers")

    def __init__(self, rig: Rig) -> None:
        self.valves = rig.valves
        self.pulsed = rig.valves is not None and rig.valves.pulsed
        self.tick_s = 1.0 / rig.control.tick_hz
        self.actions = {side: EndAction() for side in SIDES}
        self.ground = dict.fromkeys(SIDES, (0.0, 0.0))
        gain, integral = self._gains(rig)
        self.loops = {side: EndLoop(rig, gain, integral) for side in SIDES}
        self.quiets = {side: Quiet(1.0 / rig.control.tick_hz) for side in SIDES}
        self.pulsers = {side: self._pulser(rig, side) for side in SIDES}
        self.limiter = Limiter(1.0, 1.0)
        if rig.valves is None:
            return
        found = rig.calibration.valves
        self.characters = {side: Characteristic.of(rig.valves, found.get(side)) for side in SIDES}
        self.ratios = ratios(rig)
        if rig.valves.pulsed:
            self.limiter = Limiter(1.0, 1.0, math.inf)
        else:
            # slower than stated, a valve needs more command for the same rate
            cap = rig.limits.cap_mm_s * MM
            every = self.characters.values()
            up = max(one.command(cap, RANGE[0]) for one in every)
            down = max(-one.command(-cap, RANGE[0]) for one in every)
            self.limiter = Limiter(up, down)

    def _gains(self, rig: Rig) -> tuple[float, float]:
        dead = rig.valves.dead_time_ms * 1e-3 if rig.valves else 0.0
        left = UNSURE_SHARE * dead + self.tick_s
        gain = rig.control.gain_per_s or simc_gain(left)
        return gain, rig.control.integral_s or INTEGRAL_SLOWER * simc_integral(left)

    def _pulser(self, rig: Rig, side: Side) -> Pulser:
        """Of an on/off valve, as stated or as found; of another it has no use."""
        pulse_s = (rig.valves.pulse_ms if rig.valves else 100.0) * MM
        ticks = math.ceil(pulse_s / self.tick_s - 1e-9)  # never shorter than stated
        found = rig.calibration.valves.get(side)
        if found is None or not self.pulsed:
            return Pulser(ticks)
        up, down = (one * MM / self.tick_s for one in (found.lost_up_ms, found.lost_down_ms))
        return Pulser(ticks, (up, down))

    def foresee(self, blade: Blade) -> None:
        """What the ground will do until a command given now has taken effect."""
        until = blade.valve_gain.dead_s + 0.5 * self.tick_s + blade.lifts[LEFT].lag_s
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
        self, now_s: float, dt: float, states: dict[Side, EndState], blade: Blade, *,
        allowed: bool, standing: bool,
    ) -> ValveCommand:  # fmt: skip
        """Commands for both valves; ends that are not led ask for no motion."""
        rates = {}
        for side in SIDES:
            loop, action = self.loops[side], self.actions[side]
            if allowed and states[side] in ACTIVE and action.predicted is not None:
                action.rate = loop.update(now_s, dt, action)
            elif allowed and standing:
                loop.pause()
            else:
                loop.rest()
            rates[side] = action.rate
        if self.valves is None:
            return ValveCommand(now_s, *NEUTRAL)
        return self._valves(now_s, rates, allowed, blade)

    def _valves(
        self, now_s: float, rates: dict[Side, float], allowed: bool, blade: Blade
    ) -> ValveCommand:
        left, right = valves_from_ends(rates[LEFT], rates[RIGHT], self.ratios)
        loops = self.loops
        turn = min(loops[LEFT].turn, loops[RIGHT].turn)
        often = max(loops[LEFT].often(blade.speed), loops[RIGHT].often(blade.speed))
        gain, quiets, characters = blade.valve_gain.gain, self.quiets, self.characters
        left = self._one(LEFT, quiets[LEFT].update(left, turn, often), gain)
        right = self._one(RIGHT, quiets[RIGHT].update(right, turn, often), gain)
        left, right = self.limiter.update(now_s, left, right, allowed)
        oil = characters[LEFT].rate(left), characters[RIGHT].rate(right)
        if self.pulsed:
            oil = oil[0] * self.pulsers[LEFT].worth, oil[1] * self.pulsers[RIGHT].worth
        moved = ends_from_valves(*oil, self.ratios)
        blade.lifts[LEFT].push(moved[0])
        blade.lifts[RIGHT].push(moved[1])
        return ValveCommand(now_s, left, right)

    def _one(self, side: Side, rate: float, gain: float) -> float:
        """One valve's command. Where an end is not led its valve stays shut, though the other
        end's motion then moves it a little."""
        if not self.loops[side].running:
            self.quiets[side].reset()
            self.pulsers[side].reset()
            return 0.0
        if self.pulsed:
            one = self.characters[side]
            full = (one.up if rate > 0 else one.down) * gain
            return self.pulsers[side].update(rate / full)
        return self.characters[side].command(rate, gain)


def ratios(rig: Rig) -> tuple[float, float]:
    """Half width over each cylinder's distance off the middle, as found or as stated; left first.

    (0, 0) without valves.
    """
    if rig.valves is None:
        return 0.0, 0.0
    half, found = rig.blade.width_mm / 2, rig.calibration.valves
    left, right = (
        found[side].cylinder_mm if side in found else rig.valves.cylinder_left_mm for side in SIDES
    )
    return half / left, half / right
