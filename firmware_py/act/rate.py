"""PID of one end, in rate: predicted height error in, rate of the cutting edge out, m/s.

simple-pid does the sums. Its traps are closed here: a second call in one tick, a NaN, a stall,
windup at the cap, and a controller in manual mode that still returns its last output.
"""

from __future__ import annotations

import math

from simple_pid import PID

STALL = 0.1  # s; after a gap this long the integral belongs to another ground


def simc_gain(dead_s: float, closed_s: float | None = None) -> float:
    """Proportional gain, 1/s, on an integrating process: 1 / (tau_c + theta).

    Skogestad, J. Process Control 13 (2003) 291; tau_c = theta unless given.
    """
    if dead_s <= 0.0:
        raise ValueError(f"dead time {dead_s} s must be above 0")
    return 1.0 / ((dead_s if closed_s is None else closed_s) + dead_s)


def simc_integral(dead_s: float, closed_s: float | None = None) -> float:
    """Integral time, s, on an integrating process: 4 (tau_c + theta). Skogestad 2003."""
    return 4.0 / simc_gain(dead_s, closed_s)


def _no_clock() -> float:
    """Time comes in with each update: a wall clock in the state would spoil a replay."""
    return 0.0


class EndRate:
    """PID of one end. Call once a tick with the time; `rate` is the last output."""

    STATE = ("pid", "last_s", "rate")

    def __init__(self, gain: float, integral_s: float, cap: float) -> None:
        self.integral_gain, self.cap = gain / integral_s, cap
        # sample_time None: it would skip a call that comes a little early
        self.pid = PID(gain, self.integral_gain, 0.0, setpoint=0.0, sample_time=None,
                       output_limits=(-cap, cap), auto_mode=False, time_fn=_no_clock)  # fmt: skip
        self.last_s = -math.inf
        self.rate = 0.0

    def start(self) -> None:
        """Take over from manual at rate 0: no lurch."""
        self.pid.set_auto_mode(False)
        self.pid.set_auto_mode(True, last_output=0.0)
        self.last_s, self.rate = -math.inf, 0.0

    def pause(self) -> None:
        """The gap that follows is no stall: the integral stays as it is."""
        self.last_s, self.rate = -math.inf, 0.0

    def reset(self) -> None:
        """Manual: the output is 0, whatever it was."""
        self.pid.set_auto_mode(False)
        self.last_s, self.rate = -math.inf, 0.0

    def update(self, now_s: float, error: float, dt: float, *, integrate: bool = True) -> float:
        """Rate to ask for, m/s. Raises ValueError on a number that is not finite."""
        if not self.pid.auto_mode:
            return 0.0
        if not (math.isfinite(error) and math.isfinite(now_s) and math.isfinite(dt)):
            raise ValueError(f"error {error}, dt {dt} at {now_s} s: no number; PID not updated")
        if now_s <= self.last_s:
            return self.rate
        if now_s - self.last_s > STALL and self.last_s > -math.inf:
            self.start()
        grows = integrate and not self._winding(error)
        self.pid.Ki = self.integral_gain if grows else 0.0
        self.rate = float(self.pid(error, dt=dt) or 0.0)
        self.last_s = now_s
        return self.rate

    def _winding(self, error: float) -> bool:
        """True when the output stands at the cap and the integral would push it further.

        simple-pid clamps its integral at the cap alone: a nudge of 20 mm left 14 mm/s of it behind.
        """
        rate = -self.pid.Kp * error + self.pid.components[1]
        return abs(rate) >= self.cap and rate * error < 0.0
