"""The pulses that find out what on/off valves do. THIS MOVES THE BLADE, and only once confirmed.

The shortest first, one valve at a time; valve_watch.py ends it at any surprise. Angles in rad.
"""

from __future__ import annotations

import numpy as np

from firmware_py.commission.estimate import Surprise
from firmware_py.commission.looks import Reflector
from firmware_py.commission.on_off import WAYS, Try, on_off_map
from firmware_py.commission.procedure import Given, Steps
from firmware_py.commission.valve_record import SETTLE_S, BarPlace, Step, way
from firmware_py.commission.valve_watch import (
    ENOUGH,
    LOOK_S,
    MOVED,
    Eye,
    begin,
    measured,
    opened,
    shut,
)
from firmware_py.commission.valves import ValveMap
from firmware_py.messages import SIDES, Side

FINER_S = 0.01  # s from one length of pulse to the next: a tick of the runner
MOST_S = 0.2  # s; where nothing has moved by then, nothing will
PULSES = 5  # of one length in a try: one alone may move less than the gyro's noise adds up to
GAP_S = 0.2  # s between them: closed again, whatever the valve
ABOVE_S = (0.08, 0.16, 0.28)  # s over the least on time: the pulses that are measured
REPEATS = 3
EVEN = (0.5, 2.0)  # of a pulse up: how long the one that brings the blade back may be


def _words(side: Side, sign: float, seconds: float) -> str:
    return f"Moving: {side.value} {WAYS[sign]} for {1e3 * seconds:.0f} ms."


def _try(
    eye: Eye, given: Given, side: Side, sign: float, seconds: float
) -> Steps[tuple[Given, Try]]:
    """Some pulses of so many seconds, and how far they have rolled the blade together."""
    start, before = given.now_s, eye.roll
    on: list[float] = []
    turn, words = way(side, sign), _words(side, sign, seconds)
    while len(on) < PULSES and (eye.roll - before) * turn < ENOUGH:
        given, first, last = yield from opened(
            eye, given, side, sign, seconds - 0.5 * FINER_S, words=words
        )
        on.append(last - first)
        eye.busy.append((first, last))
        given = yield from shut(eye, "Waiting.", GAP_S, SETTLE_S, turn)
    given = yield from shut(eye, "Waiting.", SETTLE_S + LOOK_S, SETTLE_S, turn)
    moved = turn * _rolled(eye, start, given.now_s - LOOK_S)
    return given, Try(side, sign, float(np.mean(on)), len(on), moved, MOVED)


def _rolled(eye: Eye, start: float, end: float) -> float:
    """Roll between two times, the gyro's bias from the rests on both sides: it drifts, rad."""
    gyro = np.array(eye.gyro)
    t, rate = gyro[1:, 0], gyro[1:, 1]
    step = np.diff(gyro[:, 0])
    inside = (t > start) & (t <= end)
    rest = ((t > start - LOOK_S) & (t <= start)) | (t > end)
    return float(((rate - rate[rest].mean()) * step)[inside].sum())


def _least(
    eye: Eye, given: Given, side: Side, sign: float, tries: list[Try]
) -> Steps[tuple[Given, float]]:
    """Longer pulses until the blade moves; the least length that moved it, s."""
    for count in range(1, round(MOST_S / FINER_S) + 1):
        given, one = yield from _try(eye, given, side, sign, count * FINER_S)
        tries.append(one)
        if one.did:
            return given, one.on_s
    told = f"The {side.value} valve moved nothing {WAYS[sign]}"
    raise Surprise(f"{told} by {1e3 * MOST_S:.0f} ms of current: look at oil, wire and supply.")


def on_off_steps(
    device: str, bar: BarPlace, half_width_m: float, *, yaw: float = 0.0, zero_roll: float = 0.0,
    repeats: int = REPEATS, tape: bool = False, reflector: Reflector | None = None,
) -> Steps[ValveMap]:  # fmt: skip
    """Least on time, opening, closing, lag, speeds, map. Confirmation first, else CommissionError.

    tape: the distance between the cylinders is asked for as well; 0 is none.
    """
    eye, given, bar, first_roll = yield from begin(
        device, bar, yaw, zero_roll, tape=tape, reflector=reflector
    )
    steps: list[Step] = []
    tries: list[Try] = []
    for side in SIDES:
        least, rate = {}, dict.fromkeys(WAYS, 0.0)
        for sign in WAYS:
            given, least[sign] = yield from _least(eye, given, side, sign, tries)
        for above in ABOVE_S * repeats:
            for sign in WAYS:
                seconds = least[sign] + _above(above, rate, sign)
                words = _words(side, sign, seconds)
                given, step = yield from measured(
                    eye, given, bar, side, sign, seconds=seconds, words=words
                )
                rolled = (eye.roll - eye.mark) * way(side, sign)
                rate[sign] = max(rolled / (step.end_s - step.start_s), 0.0)
                steps.append(step)
                eye.share = len(steps) / (4 * len(ABOVE_S) * repeats)
    return on_off_map(eye.record(steps, first_roll), tries, bar, half_width_m)


def _above(above: float, rate: dict[float, float], sign: float) -> float:
    """Seconds over the least: no farther than enough, and down as far as it went up."""
    if rate[sign] > 0.0:
        above = min(above, ENOUGH / rate[sign])
    if sign < 0.0 and rate[-1.0] > 0.0:
        above *= min(max(rate[1.0] / rate[-1.0], EVEN[0]), EVEN[1])
    return above
