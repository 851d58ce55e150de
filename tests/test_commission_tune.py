"""Gains and margins: Skogestad's table, python-control, and the loop itself in time."""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import pytest

from firmware_py.act.rate import simc_gain, simc_integral
from firmware_py.commission.estimate import CommissionError, Estimate
from firmware_py.commission.tune import (
    LEAST_DELAY_S,
    LEAST_GAIN,
    OMEGA,
    Gains,
    Plant,
    check,
    loop,
    margins,
    plain_loop,
    propose,
    simc,
    stable,
    worst_margins,
)
from firmware_py.commission.valves import Valve, ValveMap
from firmware_py.messages import Side

TICK_S = 0.01


def _map(dead: float = 0.08, lag: float = 0.05, u: float = 0.003) -> ValveMap:
    """A map made by hand; speeds to 2 %, at one standard uncertainty."""
    share, speed = Estimate(0.12, "1", 0.003), Estimate(0.1, "m/s", 0.002)
    valve = Valve(speed, speed, Estimate(dead, "s", u), Estimate(lag, "s", u),
                  Estimate(0.6, "m", 0.01), Estimate(1.0, "1", 0.01), share, share)  # fmt: skip
    return ValveMap({Side.LEFT: valve, Side.RIGHT: valve}, ((0.0, 0.0), (0.0, 0.0)), 0.9)


@pytest.mark.parametrize("dead", [0.03, 0.1, 0.3])
def test_simc_on_an_integrating_process(dead: float) -> None:
    """Skogestad 2003, table 1, tau_c = theta: GM 2.96, PM 46.9 deg, Ms 1.70, 1.59 theta."""
    gains = Gains(simc_gain(dead), simc_integral(dead))
    found = margins(plain_loop(gains, Plant(dead, 0.0)))
    assert found.gain == pytest.approx(2.96, abs=0.01)
    assert math.degrees(found.phase) == pytest.approx(46.9, abs=0.1)
    assert found.peak == pytest.approx(1.70, abs=0.01)
    assert found.delay_s / dead == pytest.approx(1.59, abs=0.005)


@pytest.mark.parametrize(("dead", "lag", "wrong"), [(0.08, 0.05, 1.0), (0.2, 0.1, 1.4)])
def test_margins_against_python_control(dead: float, lag: float, wrong: float) -> None:
    """The same loop as a python-control frequency response."""
    import control  # takes seconds, and matplotlib

    gains, model = simc(_map(dead, lag), TICK_S), Plant(dead, lag)
    response = loop(gains, model, Plant(dead + 0.01, lag, wrong))
    w = np.geomspace(0.3, 100.0, 1000)
    data = control.FrequencyResponseData(response(w), w, smooth=True)
    gm, pm, _, _, _, _ = control.stability_margins(data)
    found = margins(response)
    assert found.gain == pytest.approx(gm, rel=1e-3)
    assert math.degrees(found.phase) == pytest.approx(pm, rel=1e-3)
    # plant and predictor themselves, from python-control's own transfer functions
    s = control.tf("s")
    C = gains.gain_per_s * (1 + 1 / (gains.integral_s * s))
    points = np.array([0.5, 3.0, 12.0])
    G = control.frequency_response(1 / (s * (lag * s + 1)), points).complex
    L = control.frequency_response(C, points).complex
    late = np.exp(-1j * points * dead)
    whole = L * wrong * G * late * np.exp(-1j * points * 0.01)
    whole /= 1 + L * (1 / (1j * points) - G * late)
    assert response(points) == pytest.approx(whole, rel=1e-9)


def _runs_away(gains: Gains, model: Plant, true: Plant) -> bool:
    """The loop in time, 1 ms steps: error + motion under way -> PI -> oil, from 10 mm off."""
    dt = 0.001
    oil: deque[float] = deque([0.0] * round(true.dead_s / dt))
    known: deque[float] = deque([0.0] * round(model.dead_s / dt))
    error = worst = 0.01
    rate = total = 0.0
    modelled = moved_by_model = moved_undelayed = 0.0
    late = []
    for k in range(60_000):
        predicted = error + moved_undelayed - moved_by_model
        total += predicted * dt
        u = -gains.gain_per_s * (predicted + total / gains.integral_s)
        oil.append(u)
        rate += (oil.popleft() - rate) * dt / true.lag_s
        error += true.gain * rate * dt
        known.append(u)
        modelled += (known.popleft() - modelled) * dt / model.lag_s
        moved_by_model += modelled * dt
        moved_undelayed += u * dt
        if abs(error) > 1e3:
            return True
        if k > 30_000:
            late.append(abs(error))
        worst = max(worst, abs(error))
    return max(late) > 0.5 * worst


@pytest.mark.parametrize("dead", [0.05, 0.12])
def test_the_delay_margin_is_where_the_loop_itself_turns_unstable(dead: float) -> None:
    model = Plant(dead, 0.05)
    gains = simc(_map(dead), TICK_S)
    margin = margins(loop(gains, model, model)).delay_s
    assert not _runs_away(gains, model, Plant(dead + 0.93 * margin, 0.05))
    assert _runs_away(gains, model, Plant(dead + 1.07 * margin, 0.05))


def test_the_gain_margin_is_where_the_loop_itself_turns_unstable() -> None:
    model = Plant(0.08, 0.05)
    gains = simc(_map(), TICK_S)
    margin = margins(loop(gains, model, model)).gain
    assert not _runs_away(gains, model, Plant(0.08, 0.05, 0.95 * margin))
    assert _runs_away(gains, model, Plant(0.08, 0.05, 1.05 * margin))


def test_nyquist_agrees_on_both_sides() -> None:
    model, gains = Plant(0.08, 0.05), simc(_map(), TICK_S)
    margin = margins(loop(gains, model, model)).gain
    assert stable(loop(gains, model, Plant(0.08, 0.05, 0.95 * margin)))
    assert not stable(loop(gains, model, Plant(0.08, 0.05, 1.05 * margin)))
    assert OMEGA[-1] > math.pi / TICK_S


def test_the_proposal_is_simc_s_and_tells_its_margins() -> None:
    found = _map()
    tuning = propose(found, TICK_S)
    assert tuning.gains == simc(found, TICK_S)
    assert tuning.margins.enough
    assert tuning.worst.delay_s < tuning.margins.delay_s
    assert tuning.worst.gain < tuning.margins.gain
    assert tuning.worst == worst_margins(tuning.gains, found, TICK_S)
    assert f"{1e3 * tuning.margins.delay_s:.0f} ms" in tuning.words


def test_an_unsure_dead_time_makes_the_gains_slower() -> None:
    assert simc(_map(u=0.03), TICK_S).gain_per_s < simc(_map(), TICK_S).gain_per_s


@pytest.mark.parametrize(("share", "ok"), [(0.98, True), (1.02, False)])
def test_refused_on_both_sides_of_either_limit(share: float, ok: bool) -> None:
    """The gain at which a margin just reaches its limit, by bisection; then 2 % to each side."""
    found = _map()
    low, high = 1.0, 60.0
    while high - low > 1e-2:
        middle = 0.5 * (low + high)
        seen = worst_margins(Gains(middle, 2.4), found, TICK_S)
        low, high = (middle, high) if seen.enough else (low, middle)
    gains = Gains(share * low, 2.4)
    if ok:
        assert check(gains, found, TICK_S).margins.gain >= LEAST_GAIN
    else:
        with pytest.raises(CommissionError, match=f"at least {1e3 * LEAST_DELAY_S:.0f} ms and 2"):
            check(gains, found, TICK_S)


def test_a_quick_valve_gets_slower_gains_than_simc_s_own() -> None:
    """With 5 ms of dead time SIMC leaves less than 40 ms of delay margin."""
    found = _map(0.005, 0.006, 0.0005)
    with pytest.raises(CommissionError, match="delay margin"):
        check(simc(found, TICK_S), found, TICK_S)
    tuning = propose(found, TICK_S)
    assert tuning.margins.delay_s >= LEAST_DELAY_S
    assert tuning.gains.gain_per_s < simc(found, TICK_S).gain_per_s
    assert "left too little" in tuning.words
