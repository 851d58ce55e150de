"""The valve map from a plant made by hand: fine steps of a first-order lag, no simulated rig."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
import pytest

from firmware_py.commission.estimate import CommissionError, Estimate
from firmware_py.commission.pulse_fit import Pulse, fit, moved
from firmware_py.commission.taped import taped
from firmware_py.commission.valve_record import (
    SETTLE_S,
    BarPlace,
    Recording,
    Step,
    shared,
    way,
)
from firmware_py.commission.valves import ValveMap, pooled, valve_map
from firmware_py.messages import SIDES, Side

DT = 0.001  # s of the plant made by hand
REST_S = SETTLE_S + 0.7
BAR = BarPlace(1.2, 0.75, (-0.15, -0.075, 0.0, 0.075, 0.15))
LEFT, RIGHT = Side.LEFT, Side.RIGHT


@dataclass(frozen=True)
class Truth:
    """What the plant does; overlaps and full speeds of left and right, up and down."""

    overlap: dict[tuple[Side, float], float]
    speed: dict[tuple[Side, float], float]
    at: dict[Side, float]
    dead_s: float = 0.13
    lag_s: float = 0.06


ODD = Truth(
    {(LEFT, 1.0): 0.08, (LEFT, -1.0): 0.15, (RIGHT, 1.0): 0.11, (RIGHT, -1.0): 0.2},
    {(LEFT, 1.0): 0.08, (LEFT, -1.0): 0.13, (RIGHT, 1.0): 0.1, (RIGHT, -1.0): 0.11},
    {LEFT: 0.55, RIGHT: 0.65},
)


def _record(truth: Truth, seed: int = 1, *, noise: float = 0.0026, echo: float = 1e-3,
            swap: bool = False) -> Recording:  # fmt: skip
    """Steps of both valves, gyro at 200 Hz, an echo each 8 ms. swap: the lines are swapped."""
    gen = np.random.default_rng(seed)
    steps: list[Step] = []
    t = 3.0
    for side in SIDES:
        for size in (0.3, 0.42, 0.6) * 2:
            for sign in (1.0, -1.0):
                end = t + (1.0 if size < 0.5 else 0.6)
                steps.append(Step(side, sign * size, t, end, end + REST_S))
                t = end + REST_S
    delay = {side: deque([0.0] * round(truth.dead_s / DT)) for side in SIDES}
    rate, lift = dict.fromkeys(SIDES, 0.0), dict.fromkeys(SIDES, 0.0)
    gyro, echoes, last, number, bias = [], [], 0.0, 0, 0.004
    for k in range(round((t + 0.1) / DT)):
        now = k * DT
        busy = next((s for s in steps if s.start_s <= now < s.end_s), None)
        for side in SIDES:
            mine = busy is not None and (busy.side is side) is not swap
            command = busy.command * (-1.0 if swap else 1.0) if busy and mine else 0.0
            delay[side].append(command)
            u = delay[side].popleft()
            over = truth.overlap[side, math.copysign(1.0, u)]
            full = truth.speed[side, math.copysign(1.0, u)]
            wanted = math.copysign(max(abs(u) - over, 0.0) / (1.0 - over) * full, u)
            lift[side] += rate[side] * DT
            rate[side] += (wanted - rate[side]) * DT / truth.lag_s
        roll = 0.5 * (lift[LEFT] / truth.at[LEFT] - lift[RIGHT] / truth.at[RIGHT])
        if k % 5 == 0:
            gyro.append((now, (roll - last) / (5 * DT) + bias + noise * gen.standard_normal()))
            last = roll
        if k % 8 == 0:
            y = BAR.elements[number % 5]
            z = 0.6 + 0.5 * (lift[LEFT] + lift[RIGHT]) + (BAR.y_m + y) * roll
            z -= BAR.above_m * (1.0 - math.cos(roll))
            z += echo * gen.standard_normal()
            echoes.append((now, number % 5, round(z / 1e-3) * 1e-3 if echo else z))
            number += 1
    return Recording(tuple(steps), np.array(gyro), np.array(echoes), 0.0)


@pytest.fixture(scope="module")
def odd() -> ValveMap:
    return valve_map(_record(ODD), BAR, 0.9, 0.1)


def test_everything_of_an_odd_pair_of_valves(odd: ValveMap) -> None:
    for side in SIDES:
        v = odd.valves[side]
        pairs: list[tuple[Estimate, float, float]] = [
            (v.overlap_up, ODD.overlap[side, 1.0], 0.02),
            (v.overlap_down, ODD.overlap[side, -1.0], 0.02),
            (v.up, ODD.speed[side, 1.0], 0.05 * ODD.speed[side, 1.0]),
            (v.down, ODD.speed[side, -1.0], 0.05 * ODD.speed[side, -1.0]),
            (v.dead_time, ODD.dead_s, 0.015),
            (v.lag, ODD.lag_s, 0.015),
            (v.cylinder, ODD.at[side], 0.03),
            (v.asymmetry, ODD.speed[side, -1.0] / ODD.speed[side, 1.0], 0.05),
        ]
        for estimate, true, limit in pairs:
            assert abs(estimate.value - true) < limit
            assert abs(estimate.value - true) < 3.5 * estimate.u


def test_the_times_of_clock_and_samples_are_bounds_and_no_sigmas(odd: ValveMap) -> None:
    """JCGM 100:2008, 4.3.7 and 4.3.9: anywhere within +-a is a / sqrt(3), a triangle a / sqrt(6);
    of samples 5 ms apart a is 2.5 ms."""
    terms = {term.name: term.u for term in odd.dead_time.type_b}
    assert terms == pytest.approx(
        {"clock": 1e-3 / math.sqrt(3.0), "half a sample": 2.5e-3 / math.sqrt(6.0)}
    )


def test_a_gyro_that_samples_at_an_instant_makes_the_dead_time_half_a_sample_off() -> None:
    """By hand: the fit takes 10 ms apart for means, centred 5 ms before their time."""
    pulses = []
    for size in (0.2, 0.3, 0.45):
        times, full = np.arange(-0.1, 1.6, 0.01), 0.1 * (size - 0.12) / 0.88
        risen, gone = np.maximum(times - 0.08, 0.0), np.maximum(times - 0.98, 0.0)
        rate = full * (np.exp(-gone / 0.06) - np.exp(-risen / 0.06))
        pulses.append(Pulse(size, 0.0, 0.9, times, rate[1:]))
    assert fit(pulses, 0.1, 0.1, 0.1).dead_s == pytest.approx(0.08 - 0.005, abs=0.0005)


def test_a_ratio_of_two_speeds_has_only_what_they_do_not_share(odd: ValveMap) -> None:
    """JCGM 100:2008, 5.2.2, example: the cylinders' way and the gyro's scale are in both."""
    for v in odd.valves.values():
        assert v.asymmetry.type_b == ()
        parts = (v.up.type_a / v.up.value, v.down.type_a / v.down.value)
        assert v.asymmetry.u / v.asymmetry.value <= math.hypot(*parts)
        shared = {term.name: term.u / v.up.value for term in v.up.type_b}
        assert shared == pytest.approx({t.name: t.u / v.down.value for t in v.down.type_b})


def test_the_map_by_hand(odd: ValveMap) -> None:
    """A cylinder at a lifts its own end, at b, by (1 + b/a)/2 and the other by (1 - b/a)/2."""
    (ll, lr), (rl, rr) = odd.ends
    assert ll == pytest.approx(0.08 * 0.5 * (1.0 + 0.9 / 0.55), rel=0.04)
    assert rl == pytest.approx(0.08 * 0.5 * (1.0 - 0.9 / 0.55), rel=0.15)
    assert rr == pytest.approx(0.10 * 0.5 * (1.0 + 0.9 / 0.65), rel=0.04)
    assert lr == pytest.approx(0.10 * 0.5 * (1.0 - 0.9 / 0.65), rel=0.15)
    # both cylinders alike: both ends go with them
    assert ll + rl == pytest.approx(odd.valves[LEFT].up.value)
    assert lr + rr == pytest.approx(odd.valves[RIGHT].up.value)


def test_without_noise_the_answer_is_exact() -> None:
    found = valve_map(_record(ODD, noise=0.0, echo=0.0), BAR, 0.9, 0.1)
    for side in SIDES:
        v = found.valves[side]
        assert v.dead_time.value == pytest.approx(ODD.dead_s, abs=0.0015)  # a plant's step is 1 ms
        assert v.overlap_down.value == pytest.approx(ODD.overlap[side, -1.0], abs=0.001)
        assert v.up.value == pytest.approx(ODD.speed[side, 1.0], rel=0.01)
        assert v.cylinder.value == pytest.approx(ODD.at[side], abs=0.004)


def test_lines_swapped_crosswise_are_found_by_the_bar() -> None:
    """Left up moves right down: the roll is as asked, the bar's height is not."""
    with pytest.raises(CommissionError, match="lines are swapped"):
        valve_map(_record(ODD, swap=True), BAR, 0.9, 0.1)


def test_an_on_off_valve_is_told() -> None:
    """The same rate whatever the command."""
    times = np.arange(-0.1, 1.8, 0.005)
    rate = 0.06 * np.diff(moved(times - 0.1, 0.05) - moved(times - 1.0, 0.05)) / 0.005
    pulses = [Pulse(size, 0.0, 0.9, times, rate) for size in (0.12, 0.22, 0.37)]
    with pytest.raises(CommissionError, match="on/off"):
        fit(pulses, 0.1, 0.05, 0.08)


def test_way_of_the_roll() -> None:
    assert [way(side, u) for side in SIDES for u in (0.3, -0.3)] == [1.0, -1.0, -1.0, 1.0]


def test_moved_by_hand() -> None:
    """A unit step through a lag of 0.1 s: after 0.1 s it has moved 0.1/e."""
    assert moved(np.array([-1.0, 0.0, 0.1]), 0.1) == pytest.approx([0.0, 0.0, 0.1 / math.e])


def test_pooled_by_hand() -> None:
    assert pooled(1.0, 0.1, 1.0, 0.1) == pytest.approx((1.0, 0.1 / math.sqrt(2.0)))
    mean, wide = pooled(1.0, 0.1, 3.0, 0.1)
    assert mean == pytest.approx(2.0)
    assert wide > 0.5  # far apart: neither is believed to its own figure


def test_too_few_steps() -> None:
    pulse = Pulse(0.3, 0.0, 1.0, np.arange(0.0, 2.0, 0.005), np.zeros(399))
    with pytest.raises(CommissionError, match="3 is the least"):
        fit([pulse, pulse], 0.1, 0.1, 0.1)


def test_the_stated_spread_of_the_fit_is_the_real_one() -> None:
    """40 fits of one direction with white noise: z scores have sd 1."""
    gen = np.random.default_rng(5)
    true = np.array([0.11, 0.05, 0.12, 0.07])
    times = np.arange(-0.1, 1.8, 0.005)
    scores = []
    for _ in range(40):
        pulses = []
        for size in (0.2, 0.3, 0.45):
            height = true[3] * (size - true[2]) / (1.0 - true[2])
            x = times - true[0]
            clean = height * np.diff(moved(x, true[1]) - moved(x - 0.9, true[1])) / 0.005
            rate = clean + 0.003 * gen.standard_normal(clean.size)
            pulses.append(Pulse(size, 0.0, 0.9, times, rate))
        found = fit(pulses, 0.08, 0.1, 0.1)
        value = np.array([found.dead_s, found.lag_s, found.overlap, found.full])
        scores.append((value - true) / np.sqrt(np.diag(found.covariance)))
    assert np.std(scores, axis=0) == pytest.approx(np.ones(4), abs=0.35)
    assert np.mean(scores, axis=0) == pytest.approx(np.zeros(4), abs=0.55)


def test_a_rest_that_two_steps_share_counts_for_both() -> None:
    """Steps of +1 and -1 in turn, each rest off by 1/sqrt(2): n of them at rests of their own give
    1/sqrt(n); in a chain the inner rests count 2 each: sqrt((4 (n - 1) + 2)/2)/n."""
    apart = [Step(LEFT, 0.3, 10.0 * k, 10.0 * k + 1.0, 10.0 * k + 2.0) for k in range(8)]
    chain = [Step(LEFT, 0.3, 2.0 * k, 2.0 * k + 1.0, 2.0 * k + 2.0) for k in range(8)]
    x = np.array([1.0, -1.0] * 4)
    assert shared(apart, x) == pytest.approx(1.0 / math.sqrt(8.0))
    assert shared(chain, x) == pytest.approx(math.sqrt(15.0) / 8.0)
    gen = np.random.default_rng(2)
    rests = gen.standard_normal((4000, 9)) / math.sqrt(2.0)
    slopes = np.diff(rests, axis=1) @ x / 8.0
    assert float(slopes.std()) == pytest.approx(shared(chain, x), rel=0.05)


def _seen(value: float, u: float = 0.01) -> Estimate:
    return Estimate(value, "m", u)


def test_a_tape_weighs_by_its_variance() -> None:
    """By hand: tape 1.2 m, u of the half (3/2)/sqrt(3) = 0.866 mm, the blade's middle 3/sqrt(3) =
    1.732 mm, seen 610 +- 10 mm; their squares 0.75, 3 and 100.

    The place, where the tape has the middle's error: weight 3.75 / 103.75 of what was seen, so
    600.361 mm, u = sqrt(100 x 3.75 / 103.75) = 1.901 mm. Half the way, where what was seen has it:
    weight 0.75 / 103.75, so 600.072 mm, u = sqrt(103 x 0.75 / 103.75) = 0.863 mm. Of the gyro's
    scale is left, under a bar at 1.2 m, 1 - 0.00723 (1 + 1.2/0.6) = 0.978; on the right the bar
    helps.
    """
    left = taped(_seen(0.610), LEFT, 1.2, 1.2)
    assert left.cylinder.value == pytest.approx(0.600361, abs=1e-6)
    assert left.cylinder.u == pytest.approx(1.901e-3, rel=1e-3)
    assert left.half.value == pytest.approx(0.600072, abs=1e-6)
    assert left.half.u == pytest.approx(0.863e-3, rel=1e-3)
    assert left.gyro_share == pytest.approx(0.9783, abs=1e-4)
    assert taped(_seen(0.610), RIGHT, 1.2, 1.2).gyro_share == pytest.approx(1.0072, abs=1e-4)


def test_without_a_tape_half_the_way_has_the_middle_s_error_besides() -> None:
    alone = taped(_seen(0.6), LEFT, 1.2, None)
    assert alone.cylinder == _seen(0.6)
    assert alone.half.u == pytest.approx(math.sqrt(103.0) * 1e-3)
    assert alone.gyro_share == pytest.approx(2.0)


def test_the_weights_are_those_of_drawn_errors() -> None:
    """Drawn, not derived: a middle off by m is in the place by the tape and in half the way by
    sight. Rms errors of 20000 draws against what is stated."""
    gen = np.random.default_rng(8)
    place, way = [], []
    for m, t, s in zip(
        gen.uniform(-3e-3, 3e-3, 20_000), gen.uniform(-1.5e-3, 1.5e-3, 20_000),
        2e-3 * gen.uniform(-math.sqrt(3.0), math.sqrt(3.0), 20_000), strict=True,
    ):  # fmt: skip
        found = taped(_seen(0.6 + m + s, 2e-3), LEFT, 1.2, 1.2 + 2.0 * t)
        place.append(found.cylinder.value - 0.6 - m)
        way.append(found.half.value - 0.6)
    assert np.std(place) == pytest.approx(found.cylinder.u, rel=0.02)
    assert np.std(way) == pytest.approx(found.half.u, rel=0.02)


@pytest.mark.parametrize(("off", "ok"), [(0.0355, True), (0.0358, False), (-0.0358, False)])
def test_a_tape_that_disagrees_is_refused(off: float, ok: bool) -> None:
    """3.5 sigma of 10, 0.866 and 1.732 mm together: 35.65 mm."""
    if ok:
        taped(_seen(0.6 + off), LEFT, 1.2, 1.2)
        return
    with pytest.raises(CommissionError, match="from where the tape has it"):
        taped(_seen(0.6 + off), LEFT, 1.2, 1.2)
