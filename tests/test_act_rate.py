"""One end's PID: simple-pid's traps, and Skogestad's gains and margins recomputed from the loop.

Skogestad, Simple analytic rules for model reduction and PID controller tuning, J. Process Control
13 (2003) 291, table 1. The margins are computed here from the frequency response.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from closed_loop import LEFT, rig_of
from numpy.typing import NDArray
from scipy.optimize import brentq

from firmware_py.act.actuate import UNSURE_SHARE, Actuate
from firmware_py.act.rate import STALL, EndRate, simc_gain, simc_integral
from firmware_py.settings import MM

CAP = 0.06  # m/s
DT = 0.01  # s
Complex = NDArray[np.complex128]
Loop = Callable[[NDArray[np.float64]], Complex]


def _running(gain: float = 10.0, integral_s: float = 2.0) -> EndRate:
    pid = EndRate(gain, integral_s, CAP)
    pid.start()
    return pid


def _ticks(pid: EndRate, error: float, n: int, start: float = 0.0, **how: bool) -> float:
    for k in range(n):
        rate = pid.update(start + k * DT, error, DT, **how)
    return rate


def test_too_high_lowers_by_gain_times_error_and_adds_the_integral() -> None:
    """-10 x 2 mm = -20 mm/s; each tick adds -10/2 x 2 mm x 10 ms = -0.1 mm/s."""
    pid = _running()
    assert pid.update(0.0, 0.002, DT) == pytest.approx(-0.0201)
    assert _ticks(pid, 0.002, 9, 0.01) == pytest.approx(-0.0210)


def test_a_second_call_in_one_tick_changes_nothing() -> None:
    """simple-pid with a D gain gave -1e13; with an I gain it would count the tick twice."""
    pid, once = _running(), _running()
    first = pid.update(1.0, 0.002, DT)
    assert pid.update(1.0, 0.005, DT) == first
    assert pid.update(0.99, 0.005, DT) == first  # nor does a clock that runs back
    once.update(1.0, 0.002, DT)
    assert pid.update(1.01, 0.002, DT) == once.update(1.01, 0.002, DT)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_no_number_is_refused_and_leaves_no_trace(bad: float, place: int) -> None:
    """One NaN stays in simple-pid's integral for ever."""
    pid, clean = _running(), _running()
    for each in (pid, clean):
        each.update(0.0, 0.002, DT)
    arguments = [0.01, 0.002, DT]
    arguments[place] = bad
    with pytest.raises(ValueError, match="not updated"):
        pid.update(*arguments)
    assert pid.update(0.01, 0.002, DT) == clean.update(0.01, 0.002, DT)


def test_a_stall_does_not_integrate() -> None:
    """A 30 s stall ran simple-pid's integral to its limit; here it starts anew at 0."""
    pid = _running()
    _ticks(pid, 0.002, 100)
    rate = pid.update(31.0, 0.002, 0.05)
    assert rate == pytest.approx(-0.02 - 5.0 * 0.002 * 0.05)


def test_a_gap_just_under_a_stall_keeps_the_integral() -> None:
    pid = _running()
    _ticks(pid, 0.002, 100)
    assert pid.update(0.99 + 0.99 * STALL, 0.002, DT) < -0.0300
    assert pid.update(0.99 + 0.99 * STALL + 1.01 * STALL, 0.002, DT) > -0.0202


def test_manual_gives_0_not_the_last_output() -> None:
    """simple-pid with auto mode off returns whatever it last gave."""
    pid = _running()
    assert pid.update(0.0, 0.01, DT) != 0.0
    pid.reset()
    assert pid.rate == 0.0
    assert pid.update(0.01, 0.01, DT) == 0.0


def test_hand_over_from_manual_begins_at_rate_0() -> None:
    """Nothing of an earlier run comes back; on target the first rate is 0."""
    pid = _running()
    _ticks(pid, 0.003, 200)
    pid.reset()
    pid.start()
    assert pid.update(2.0, 0.0, DT) == 0.0


def test_one_s_at_the_cap_leaves_no_windup() -> None:
    """A nudge of 30 mm: the integral would have reached the cap, and 4.5 mm of overshoot."""
    pid = _running()
    assert _ticks(pid, 0.03, 100) == -CAP
    assert pid.update(1.0, 0.0, DT) == 0.0


def test_at_the_cap_the_integral_may_still_come_down() -> None:
    """Against a disturbance at the cap, an error the other way is integrated as ever."""
    pid = _running(1.0, 0.02)
    _ticks(pid, 0.01, 100)
    low = pid.update(1.0, 0.0, DT)
    assert low < -0.04
    _ticks(pid, -0.0005, 20, 1.01)
    assert pid.update(1.3, 0.0, DT) > low + 0.004


def test_integrate_off_freezes_the_integral_and_keeps_it() -> None:
    pid = _running()
    _ticks(pid, 0.002, 100)
    held = pid.update(1.0, 0.0, DT)
    _ticks(pid, 0.002, 100, 1.01, integrate=False)
    assert pid.update(2.01, 0.0, DT) == pytest.approx(held)


def test_simc_gain_and_integral_time() -> None:
    """Integrating process: Kc = 1/(k'(tau_c + theta)), tau_I = 4 (tau_c + theta)."""
    assert simc_gain(0.1) == pytest.approx(5.0)
    assert simc_integral(0.1) == pytest.approx(0.8)
    assert simc_gain(0.1, 0.3) == pytest.approx(2.5)
    assert simc_integral(0.1, 0.3) == pytest.approx(1.6)
    with pytest.raises(ValueError, match="above 0"):
        simc_gain(0.0)


def _pi(gain: float, integral_s: float) -> Loop:
    return lambda w: gain * (1.0 + 1.0 / (1j * w * integral_s))


def margins(loop: Loop) -> tuple[float, float, float]:
    """Gain margin, phase margin (deg) and the sensitivity's peak, from the frequency response."""
    w = np.geomspace(0.05, 2000.0, 400_000)
    values = loop(w)
    size, phase = np.abs(values), np.unwrap(np.angle(values))
    phase -= 2 * math.pi * round((phase[0] + math.pi) / (2 * math.pi))  # starts near -180 deg
    crossing = np.flatnonzero((size[:-1] >= 1.0) & (size[1:] < 1.0))
    turning = np.flatnonzero((phase[:-1] > -math.pi) & (phase[1:] <= -math.pi))
    gain_margin = float(1.0 / size[turning].max()) if turning.size else math.inf
    phase_margin = float(np.degrees(phase[crossing].min() + math.pi))
    return gain_margin, phase_margin, float(np.max(1.0 / np.abs(1.0 + values)))


def test_skogestads_margins_for_an_integrating_process() -> None:
    """tau_c = theta: GM 2.96, PM 46.9 deg, Ms 1.70, allowed delay error 1.59 theta (table 1)."""
    theta = 0.1
    control = _pi(simc_gain(theta), simc_integral(theta))

    def loop(w: NDArray[np.float64]) -> Complex:
        return control(w) * np.exp(-1j * w * theta) / (1j * w)

    gain_margin, phase_margin, peak = margins(loop)
    assert gain_margin == pytest.approx(2.96, abs=0.01)
    assert phase_margin == pytest.approx(46.9, abs=0.1)
    assert peak == pytest.approx(1.70, abs=0.01)
    crossover = brentq(lambda w: abs(loop(np.array([w]))[0]) - 1.0, 1.0, 20.0)
    assert math.radians(phase_margin) / crossover / theta == pytest.approx(1.59, abs=0.01)


def _default_loop(later_s: float, faster: float = 1.0) -> Loop:
    """The loop as Actuate builds it for the reference rig, opened at the asked rate.

    predicted = height + motion under way: 1/s when the model is right. What the oil does later
    or more than modelled is left over, and so is the tick's hold (half a tick) and UNSURE_SHARE.
    """
    rig = rig_of()
    assert rig.valves is not None
    pid = Actuate(rig).loops[LEFT].pid
    control = _pi(pid.pid.Kp, pid.pid.Kp / pid.integral_gain)
    dead, lag = rig.valves.dead_time_ms * MM, rig.valves.lag_ms * MM

    def loop(w: NDArray[np.float64]) -> Complex:
        s = 1j * w
        oil = faster * np.exp(-s * (dead + later_s)) - np.exp(-s * dead)
        left = np.exp(-s * (UNSURE_SHARE * dead + 0.5 * DT))
        return control(w) * left * (1.0 + oil / (1.0 + s * lag)) / s

    return loop


def test_the_gain_is_skogestads_for_the_delay_left_unpredicted() -> None:
    """0.35 x 80 ms + one tick of 10 ms = 38 ms: 1 / (2 x 0.038) = 13.16 per s."""
    pid = Actuate(rig_of()).loops[LEFT].pid
    assert pid.pid.Kp == pytest.approx(13.16, abs=0.01)
    assert pid.pid.Kp / pid.integral_gain == pytest.approx(8 * simc_integral(0.038))


@pytest.mark.parametrize(
    ("later_ms", "faster", "gain_margin", "phase_margin", "peak"),
    [
        (0, 1.0, 3.60, 63.3, 1.49),
        (40, 1.0, 1.97, 63.7, 2.14),
        (-20, 1.0, 3.15, 54.5, 1.88),
        (0, 2.0, 3.20, 16.4, 3.95),  # before ValveGain has found it
    ],
)
def test_margins_of_the_default_loop(
    later_ms: float, faster: float, gain_margin: float, phase_margin: float, peak: float
) -> None:
    """As Actuate tunes it: 38 ms left unpredicted, then with the valves not as the file says."""
    found = margins(_default_loop(later_ms * MM, faster))
    assert found[0] == pytest.approx(gain_margin, abs=0.02)
    assert found[1] == pytest.approx(phase_margin, abs=0.3)
    assert found[2] == pytest.approx(peak, abs=0.02)
