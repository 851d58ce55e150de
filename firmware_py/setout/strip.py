"""The strip as designed: finished level, crossfall, width and the graded layer at any chainage.

m and ratios; y to the left looking up chainage; crossfall = (z_left - z_right) / width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from firmware_py.messages import Side
from firmware_py.setout.alignment import Floats, Profile

Place = Literal["left", "middle", "right"]
SHARE = {"left": 0.5, "middle": 0.0, "right": -0.5}  # of the width, to the left of the middle
KINK_STEP = 0.01  # m to each side of a knot: grades there are compared


@dataclass(frozen=True)
class Along:
    """A value along the job: straight between its rows, level beyond them."""

    at: Floats
    value: Floats

    def __call__(self, at: Floats) -> Floats:
        out: Floats = np.interp(at, self.at, self.value)
        return out


def constant(value: float) -> Along:
    """The same all along."""
    return Along(np.zeros(1), np.array([value]))


@dataclass(frozen=True)
class Strip:
    """A strip whose profile runs along its left edge, middle or right edge.

    below: how far the graded layer lies below the finished level, m. side: the string's.
    """

    profile: Profile
    level_at: Place
    crossfall: Along
    width: Along
    below: float
    side: Side

    @property
    def edge_at(self) -> Place:
        """The edge by the string."""
        return "left" if self.side is Side.LEFT else "right"

    def finished(self, at: Floats, place: Place) -> Floats:
        """Finished level at a place across, m."""
        share = SHARE[place] - SHARE[self.level_at]
        if share == 0.0:
            return self.profile.levels(at)
        out: Floats = self.profile.levels(at) + self.crossfall(at) * share * self.width(at)
        return out

    def layer(self, at: Floats, place: Place) -> Floats:
        """Level of the graded layer, m."""
        return self.finished(at, place) - self.below

    def edge(self, at: Floats) -> Floats:
        """Level of the graded layer at its edge by the string, m: what the string runs above."""
        return self.layer(at, self.edge_at)

    def knots(self) -> Floats:
        """Chainages where a slope, a crossfall or a width begins or ends, inside the job."""
        every = np.concatenate([self.profile.knots, self.crossfall.at, self.width.at])
        start, end = self.profile.start, self.profile.end
        return np.unique(every[(every > start) & (every < end)])

    def kinks(self) -> tuple[Floats, Floats]:
        """Knots, and how far the grade of the edge jumps at each."""
        at, h = self.knots(), KINK_STEP
        ends = self.profile.start, self.profile.end
        before, behind = np.clip(at - h, *ends), np.clip(at + h, *ends)
        middle = self.edge(at)
        jump = (self.edge(behind) - middle) / (behind - at) - (middle - self.edge(before)) / (
            at - before
        )
        return at, jump


@dataclass(frozen=True)
class Ground:
    """Levels of the ground at both edges, m; beyond its rows it is not known (NaN)."""

    at: Floats
    left: Floats
    right: Floats

    def level(self, at: Floats, side: Side) -> Floats:
        values = self.left if side is Side.LEFT else self.right
        out: Floats = np.interp(at, self.at, values, left=math.nan, right=math.nan)
        return out
