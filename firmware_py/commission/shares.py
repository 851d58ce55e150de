"""One named share of an uncertainty, as the budget before a job and the report after it have it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from firmware_py.commission.estimate import Floats

N = TypeVar("N", float, Floats)


@dataclass(frozen=True)
class Share(Generic[N]):
    """What one source does (k = 1) to the led end and the other end (m) and the crossfall (ratio).

    N: a float, or a value for each tick. source: where it is known from; '' where that is plain.
    """

    name: str
    led: N
    other: N
    crossfall: N
    source: str = ""


def total(name: str, shares: Sequence[Share[float]]) -> Share[float]:
    """All of them: root of the sum of squares (JCGM 100, 5.1.2, uncorrelated)."""
    return Share(
        name, math.hypot(*(one.led for one in shares)), math.hypot(*(one.other for one in shares)),
        math.hypot(*(one.crossfall for one in shares)),
    )  # fmt: skip
