"""Slope check as a procedure: out and back over the same marks, or a digital level.

Roll > 0: left end up. The cutting edge itself must lie on each mark's two blocks: a blade that
hangs askew on its machine turns with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from firmware_py.commission.estimate import Estimate, Term, rectangular
from firmware_py.commission.procedure import Steps, for_seconds, number_said, until_said
from firmware_py.commission.tilt import (
    YAW_LEFT_U,
    Inertials,
    SlopeCheck,
    Still,
    level_check,
    levelled,
    slope_check,
    still,
)
from firmware_py.sense.tilt import STANDARD_GRAVITY

MARKS = 5  # the fewest whose scatter says how sure their mean is
STAND_S = 8.0
LEVEL_PCT = 30.0  # no blade is laid steeper


@dataclass(frozen=True)
class Mounted:
    """What the rig believes of the sensor: mounting yaw and readings on the level (rad)."""

    yaw: float = 0.0
    roll: float = 0.0


@dataclass(frozen=True)
class Checked:
    """The verdict, with the sensor's temperature while it was found."""

    check: SlopeCheck
    temperature_c: float | None


def _stand(words: str, act: str, seconds: float) -> Steps[Still]:
    yield from until_said(words, "ready", act=act)
    kept = Inertials()
    yield from for_seconds("Stand still.", seconds, kept)
    return still(kept.samples)


def _roll(seen: Still, mounted: Mounted) -> float:
    return levelled(seen.force, mounted.yaw)[0] - mounted.roll


def slope_steps(
    mounted: Mounted = Mounted(), marks: int = MARKS, seconds: float = STAND_S
) -> Steps[Checked]:
    """Out and back over the same marks, the edge on two blocks at each. Moves no valve itself."""
    rolls: dict[str, list[float]] = {"out": [], "back": []}
    warm = []
    for way, found in rolls.items():
        numbers = range(marks) if way == "out" else range(marks)[::-1]
        for k in numbers:
            told = "Lay two blocks under the edge" if way == "out" else "The same blocks"
            words = f"Mark {k + 1} of {marks}, going {way}. {told}; lower the edge onto both."
            seen = yield from _stand(words, f"mark {k} {way}", seconds)
            found.append(_roll(seen, mounted))
            warm.append(seen.temperature_c)
    return Checked(slope_check(rolls["out"], rolls["back"][::-1]), _mean(warm))


def level_steps(
    mounted: Mounted = Mounted(), within: float = math.radians(0.05), seconds: float = STAND_S
) -> Steps[Checked]:
    """Against a digital level on the cutting edge; within: what it may be off by, either way."""
    seen = yield from _stand("Edge down, hands off.", "mark 0 out", seconds)
    limits = (-LEVEL_PCT, LEVEL_PCT)
    words = "What a digital level on the cutting edge says, in %, left end up > 0."
    level = math.atan(0.01 * (yield from number_said(words, *limits, act="level")))
    _, pitch = levelled(seen.force, mounted.yaw)
    noise = float(seen.u[1]) / STANDARD_GRAVITY
    roll = Estimate(
        _roll(seen, mounted), "rad", noise, (Term("mounting yaw", abs(pitch) * YAW_LEFT_U),)
    )
    return Checked(level_check(roll, level, rectangular(within)), seen.temperature_c)


def _mean(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
