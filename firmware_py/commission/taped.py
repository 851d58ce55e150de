"""Where a cylinder stands, and how far from the other one: by height over roll, and by a tape.

A cylinder turns the blade about the other one's pin, so height over roll at the bar is the way
from there. Midway both stand alike; the blade's middle is off from midway by up to 3 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from firmware_py.commission.estimate import CommissionError, Estimate, Term, rectangular
from firmware_py.messages import Side

TAPE_U = rectangular(0.003)  # m; of the tape from cylinder to cylinder, pin to pin
MIDDLE_U = rectangular(0.003)  # m; of the blade's middle between them
AGREE = 3.5  # sigma; a tape farther from what was seen is a tape, or a bar's place, misread


@dataclass(frozen=True)
class Places:
    """From the blade's middle to the pin that a cylinder turns it about; half the way between the
    cylinders (m).

    gyro_share: of the gyro's scale, how much is left in that way times a roll rate.
    """

    cylinder: Estimate
    half: Estimate
    gyro_share: float


def taped(seen: Estimate, side: Side, y_m: float, apart_m: float | None) -> Places:
    """What was seen and what was taped, weighed by their variances. CommissionError where the two
    disagree. y_m: of the bar, left > 0; apart_m: by tape, where somebody has measured it.

    A tape tells half the way and, with the middle's error, the place; what was seen is the place
    and, with the same error, half the way: one error in two results (JCGM 100, 5.2).
    """
    middle = Term("the blade's middle", MIDDLE_U)
    if apart_m is None:
        half = Estimate(seen.value, "m", seen.type_a, (*seen.type_b, middle))
        return Places(seen, half, abs(y_m) / seen.value)
    tape = Estimate(0.5 * apart_m, "m", 0.0, (Term("tape", 0.5 * TAPE_U),))
    off = seen.value - tape.value
    apart = math.hypot(seen.u, tape.u, middle.u)
    if abs(off) > AGREE * apart:
        told = f"The {side.value} cylinder stands {1e3 * off:+.0f} mm from where the tape has it"
        raise CommissionError(f"{told}: measure the cylinders and the bar's place again.")
    share = (tape.u**2 + middle.u**2) / apart**2  # of what was seen, in the place
    cylinder = _blend(seen, tape, share, Term(middle.name, (1.0 - share) * middle.u))
    share = tape.u**2 / apart**2  # and in half the way
    half = _blend(seen, tape, share, Term(middle.name, share * middle.u))
    # seen is s (ratio - y), and the ratio goes by 1 / scale: 1 - share (1 + s y / half) is left
    left = 1.0 - share * (1.0 + (1.0 if side is Side.LEFT else -1.0) * y_m / half.value)
    return Places(cylinder, half, abs(left))


def _blend(seen: Estimate, tape: Estimate, share: float, middle: Term) -> Estimate:
    """So much of what was seen, the rest of what was taped."""
    a, b = seen.scaled(share, "m"), tape.scaled(1.0 - share, "m")
    return Estimate(a.value + b.value, "m", a.type_a, (*a.type_b, *b.type_b, middle))
