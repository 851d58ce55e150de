"""One range bar drawn to scale: elements at their places along it, ranges downwards.

Left is left (for a bar turned along the way: its front is left). Ranges are drawn straight down
under their element, though an echo may come from the side; clearances lie where they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from firmware_py.link.frames import BarInfo
from firmware_py.messages import BarTick, Use
from tui.canvas import DOTS_ACROSS, DOTS_DOWN, Rect
from tui.drive_scale import NOTHING, Steps
from tui.units import Kind

BESIDE_M = 0.03  # m beside the outer elements that is drawn as well
LEAST_STEP_M = 4.9e-3  # m a row
ABOVE_M = 0.02  # m that is free above the nearest thing drawn
LAG_M = 0.25  # m by which the top may be too far up before it follows
SIGNS = {Use.USED: "●", Use.GATED: "×", Use.OUTLIER: "?", Use.SILENT: " "}
GROUND = "▁"


@dataclass(frozen=True, slots=True)
class BarFrame:
    """From metres to cells: y left > 0 along the bar, ranges downwards from top_m."""

    rect: Rect
    half_m: float
    top_m: float
    row_m: float

    @property
    def column_m(self) -> float:
        return 2 * self.half_m / self.rect.width

    def across(self, y_m: float) -> int:
        """Dot of a place along the bar, kept within the drawing."""
        dots = self.rect.width * DOTS_ACROSS
        at = math.floor((self.half_m - y_m) / (2 * self.half_m) * dots)
        return self.rect.x * DOTS_ACROSS + min(max(at, 0), dots - 1)

    def column(self, y_m: float) -> int:
        """Column of a place along the bar."""
        return self.across(y_m) // DOTS_ACROSS

    def down(self, range_m: float) -> int:
        """Dot of a range, kept within the drawing; top_m is in the first row's middle."""
        dots = self.rect.height * DOTS_DOWN
        at = round((range_m - self.top_m) / self.row_m * DOTS_DOWN) + 1
        return self.rect.y * DOTS_DOWN + min(max(at, 0), dots - 1)

    def row(self, range_m: float) -> int:
        """Row of a range."""
        return self.down(range_m) // DOTS_DOWN

    def holds(self, range_m: float) -> bool:
        """Whether a range lies within the drawing."""
        rows = (range_m - self.top_m) / self.row_m
        return -0.5 <= rows <= self.rect.height - 0.5


class BarScale:
    """Chooses what is drawn; it widens at once and narrows late."""

    def __init__(self) -> None:
        self.steps = Steps(LEAST_STEP_M)
        self.top_m = 0.0

    def frame(self, info: BarInfo, rect: Rect, ranges: Iterable[float], kind: Kind) -> BarFrame:
        """A frame that holds all the ranges."""
        found = list(ranges) or [info.reach_near_m, info.reach_far_m]
        nearest = max(min(found) - ABOVE_M, 0.0)
        unit = 100 * kind.one if kind.name == "mm" else 5 * kind.one
        wanted = math.floor(nearest / unit + NOTHING) * unit
        if wanted < self.top_m - NOTHING or wanted > self.top_m + LAG_M:
            self.top_m = wanted
        row_m = self.steps.choose(max(found) - self.top_m, rect.height - 0.5, kind.one)
        half = max((abs(y) for y in info.positions_m), default=0.1) + BESIDE_M
        return BarFrame(rect, half, self.top_m, row_m)


def ranges_of(bar: BarTick, near_m: float, far_m: float) -> list[float]:
    """All that the drawing should hold, m."""
    found = [r for r in (*bar.ranges_m, *bar.last_m) if r is not None]
    if bar.clearance_m is not None:
        found.append(bar.clearance_m)
    gate = gate_edges(bar, near_m, far_m)
    return found + list(gate or ())


def gate_edges(bar: BarTick, near_m: float, far_m: float) -> tuple[float, float] | None:
    """The range gate's near and far edge, m; None while it stands nowhere."""
    if bar.gate_m is None:
        return None
    return max(bar.gate_m - near_m, 0.0), bar.gate_m + far_m
