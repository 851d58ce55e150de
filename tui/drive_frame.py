"""From metres to cells in the cross-section. y left > 0 from the blade's middle, heights up."""

from __future__ import annotations

from dataclasses import dataclass

from firmware_py.link.frames import BarInfo, Hello
from firmware_py.messages import Side
from tui.canvas import DOTS_ACROSS, DOTS_DOWN, Rect

MARGIN_M = 0.12  # m beside the blade or the bar that is drawn as well
TURNED_HALF_M = 0.05  # m; half of what a bar along the way takes across
UNKNOWN_WIDTH_M = 1.8  # m; until the rig has told its own
CELL_ASPECT = 2.0  # common practice, no source: a character cell is twice as high as wide


def half_width(hello: Hello | None) -> float:
    """Half the blade, m."""
    return (hello.width_m if hello is not None else UNKNOWN_WIDTH_M) / 2


@dataclass(frozen=True, slots=True)
class Frame:
    """From metres to cells. y left > 0, heights over the target; rect is the drawing alone."""

    rect: Rect
    y_left_m: float
    y_right_m: float
    row_m: float

    @property
    def column_m(self) -> float:
        return (self.y_left_m - self.y_right_m) / self.rect.width

    @property
    def exaggeration(self) -> float:
        """How much heights are stretched against widths."""
        return CELL_ASPECT * self.column_m / self.row_m

    @property
    def middle(self) -> int:
        """Row of the target within the canvas."""
        return self.rect.y + self.rect.height // 2

    @property
    def bottom(self) -> int:
        """The lowest row within the canvas."""
        return self.rect.y + self.rect.height - 1

    def column(self, y_m: float) -> int:
        """Column of a place across, kept within the drawing."""
        share = (self.y_left_m - y_m) / (self.y_left_m - self.y_right_m)
        return self.rect.x + min(max(int(share * self.rect.width), 0), self.rect.width - 1)

    def across(self, y_m: float) -> int:
        """Dot of a place across."""
        share = (self.y_left_m - y_m) / (self.y_left_m - self.y_right_m)
        dots = self.rect.width * DOTS_ACROSS
        return self.rect.x * DOTS_ACROSS + min(max(int(share * dots), 0), dots - 1)

    def down(self, height_m: float) -> int:
        """Dot of a height, kept within the drawing; the target is in the middle row's middle."""
        dots = self.middle * DOTS_DOWN + 1 - round(height_m / self.row_m * DOTS_DOWN)
        top = self.rect.y * DOTS_DOWN
        return min(max(dots, top), top + self.rect.height * DOTS_DOWN - 1)

    def holds(self, height_m: float) -> bool:
        """Whether a height lies within the drawing."""
        half = self.rect.height // 2
        return abs(height_m) <= (half + 0.5) * self.row_m


def frame(hello: Hello | None, rect: Rect, row_m: float) -> Frame:
    """Wide enough for the blade and for every bar beside it."""
    half = half_width(hello)
    sides = dict.fromkeys(Side, half + MARGIN_M)
    for bar in hello.bars if hello else ():
        sides[bar.end] = half + bar.outside_m + half_span(bar) + MARGIN_M
    return Frame(rect, sides[Side.LEFT], -sides[Side.RIGHT], row_m)


def half_span(bar: BarInfo) -> float:
    """Half the length of a bar across, m; a turned one lies along the way."""
    if bar.turned:
        return TURNED_HALF_M
    return max((abs(y) for y in bar.positions_m), default=0.0)


def bar_middle(hello: Hello, bar: BarInfo) -> float:
    """Where a bar's middle is across, m from the blade's middle."""
    return bar.end.sign * (hello.width_m / 2 + bar.outside_m)
