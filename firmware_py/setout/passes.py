"""What a strip matched to a strip matched to a strip adds up to. m, standard uncertainties (k = 1).

Strip n's far edge is off by what strip n - 1's was, and by its own error. What is drawn anew for
every strip walks at random, what stays the same all day adds up straight:
u_n^2 = u_0^2 + n u_r^2 + n^2 u_s^2 (sum of independent errors, JCGM 100:2008, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from firmware_py.commission.budget import Budget
from firmware_py.commission.estimate import K

# Lines of the budget that are the same on every strip of a day: the sensor keeps its zero and its
# yaw, and once warm its drift. All others are drawn anew with each datum.
STAYS = frozenset({"tilt bias", "tilt drift", "crab and mounting yaw"})
MOST_STRIPS = 1000


@dataclass(frozen=True)
class Growth:
    """Uncertainties of a strip's far edge, m: at the start, drawn anew a strip, and staying."""

    start: float
    anew: float
    stays: float

    def at(self, strips: int) -> float:
        """Standard uncertainty of the far edge after so many strips, m."""
        return math.sqrt(self.start**2 + strips * self.anew**2 + strips * strips * self.stays**2)

    def strips_within(self, tolerance: float) -> int:
        """How many strips stay within the tolerance at k = 2; then a level is due."""
        count = 0
        while count < MOST_STRIPS and K * self.at(count + 1) <= tolerance:
            count += 1
        return count


def growth(budget: Budget, start: float, datum: float) -> Growth:
    """From a rig's budget. start: of the string or edge first followed; datum: of setting each."""
    stays = math.hypot(*(one.other for one in budget.lines if one.name in STAYS))
    anew = math.hypot(datum, *(one.other for one in budget.lines if one.name not in STAYS))
    return Growth(start, anew, stays)
