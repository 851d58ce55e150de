"""The small steps that find out what proportional valves do. THIS MOVES THE BLADE, once confirmed.

The smallest first, one valve at a time; valve_watch.py ends it at any surprise. Angles in rad.
"""

from __future__ import annotations

from firmware_py.commission.estimate import Surprise
from firmware_py.commission.looks import Reflector
from firmware_py.commission.procedure import Given, Steps
from firmware_py.commission.valve_record import SETTLE_S, BarPlace, Step, way
from firmware_py.commission.valve_watch import (
    LOOK_S,
    MOVED,
    Eye,
    begin,
    measured,
    opened,
    shut,
)
from firmware_py.commission.valves import ValveMap, valve_map
from firmware_py.messages import SIDES, Side

FIRST = 0.06  # of full command: under any overlap that is worth having
FINER = 0.05  # of full command from one try to the next
MOST = 0.65  # of full command: where nothing has moved by then, nothing will
TRY_S = 0.5  # s of a try
TRIED_S = 0.5  # s until its answer is over
ABOVE = (0.08, 0.18, 0.33)  # of full command over the overlap: the steps that are measured
STEP_S = 1.3  # s a step lasts at most
REPEATS = 3


def _try(eye: Eye, given: Given, side: Side, sign: float) -> Steps[tuple[Given, float]]:
    """Raise the command until the blade moves; the least command that moved it."""
    size = FIRST
    while size <= MOST:
        command = sign * size
        given, start, end = yield from opened(eye, given, side, command, TRY_S)
        eye.busy.append((start, end))
        given = yield from shut(eye, "Waiting.", TRIED_S, SETTLE_S, way(side, command))
        if (eye.roll - eye.mark) * way(side, command) > MOVED:
            return given, size
        size += FINER
    told = f"The {side.value} valve moved nothing {'up' if sign > 0 else 'down'}"
    raise Surprise(f"{told} at {100 * MOST:.0f} % of full command: look at oil, wire and supply.")


def valve_steps(
    device: str, bar: BarPlace, half_width_m: float, *, yaw: float = 0.0, zero_roll: float = 0.0,
    repeats: int = REPEATS, tape: bool = False, reflector: Reflector | None = None,
) -> Steps[ValveMap]:  # fmt: skip
    """Overlap, dead time, lag, speeds, map. Confirmation first; CommissionError without it.

    tape: the distance between the cylinders is asked for as well; 0 is none.
    """
    eye, given, bar, first_roll = yield from begin(
        device, bar, yaw, zero_roll, tape=tape, reflector=reflector
    )
    steps: list[Step] = []
    least = MOST
    for side in SIDES:
        moved = {}
        for sign in (1.0, -1.0):
            given, moved[sign] = yield from _try(eye, given, side, sign)
            given = yield from shut(eye, "Waiting.", SETTLE_S + LOOK_S, SETTLE_S, None)
        least = min(least, *moved.values())
        for above in ABOVE * repeats:
            for sign in (1.0, -1.0):
                command = sign * min(moved[sign] - 0.5 * FINER + above, 1.0)
                given, step = yield from measured(eye, given, bar, side, command, seconds=STEP_S)
                steps.append(step)
                eye.share = len(steps) / (4 * len(ABOVE) * repeats)
    record = eye.record(steps, first_roll)
    return valve_map(record, bar, half_width_m, max(least - FINER, 0.0))
