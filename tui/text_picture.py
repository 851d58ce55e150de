"""The blade in cross-section against its target, drawn in characters to a stated scale.

Seen in the cutting direction: left is left. Heights are exaggerated; the dotted line is where
each end should be. Height error > 0 too high.
"""

from __future__ import annotations

ROW_MM = (2.0, 5.0, 10.0, 20.0, 50.0)  # heights of one row to choose from
THIRDS = "▁━▔"  # the blade low, in the middle and high within a row
TARGET = "·"
LABEL = 9  # columns left of the drawing
MARGIN = 4  # columns in which the target shows on either side of the blade
BEYOND_UP, BEYOND_DOWN = "^", "v"  # further off than the drawing reaches
SHRINK = 0.5  # of the finer scale's reach: below this it is taken again, so that it does not flip


class Scale:
    """Chooses the height of a row; it widens at once and narrows late."""

    def __init__(self) -> None:
        self.row_mm = ROW_MM[1]

    def choose(self, errors_mm: list[float], rows: int) -> float:
        """Height of a row in mm so that all errors are in the drawing."""
        most = max((abs(e) for e in errors_mm), default=0.0)
        half = rows / 2.0
        fits = [row for row in ROW_MM if most <= row * half] or [ROW_MM[-1]]
        finer = [row for row in fits if row < self.row_mm and most <= SHRINK * row * half]
        if most > self.row_mm * half:
            self.row_mm = fits[0]
        elif finer:
            self.row_mm = finer[0]
        return self.row_mm


def draw(
    left_mm: float | None, right_mm: float | None, *, width: int, rows: int, row_mm: float,
    blade_m: float,
) -> list[str]:  # fmt: skip
    """`rows` lines (odd, at least 3) and one with the scale, none wider than `width`."""
    middle = rows // 2
    columns = width - LABEL - 2
    grid = [[" "] * columns for _ in range(rows)]
    grid[middle] = [TARGET if n % 2 == 0 else " " for n in range(columns)]
    for column in range(MARGIN, columns - MARGIN):
        share = (column - MARGIN) / max(columns - 2 * MARGIN - 1, 1)
        height = _height(left_mm, right_mm, share)
        if height is not None:
            _put(grid, column, height / row_mm, middle)
    labels = [""] * rows
    labels[0], labels[middle], labels[-1] = _mm(middle * row_mm), "target", _mm(-middle * row_mm)
    lines = [f"{label:>{LABEL}s} " + "".join(row) for label, row in zip(labels, grid, strict=True)]
    return [line.rstrip() for line in lines] + [_legend(width, columns, row_mm, blade_m)]


def _height(left: float | None, right: float | None, share: float) -> float | None:
    """The blade's height (mm) at a share of its width from the left; only a known end is drawn."""
    if left is not None and right is not None:
        return left + (right - left) * share
    if left is not None and share < 0.2:
        return left
    return right if right is not None and share > 0.8 else None


def _put(grid: list[list[str]], column: int, up_rows: float, middle: int) -> None:
    thirds = round(up_rows * 3.0)
    row = middle - (thirds + 1) // 3
    if row < 0:
        grid[0][column] = BEYOND_UP
    elif row >= len(grid):
        grid[-1][column] = BEYOND_DOWN
    else:
        grid[row][column] = THIRDS[(thirds + 1) % 3]


def _mm(value: float) -> str:
    return f"{value:+.0f} mm"


def _legend(width: int, columns: int, row_mm: float, blade_m: float) -> str:
    scale = f"one row {row_mm:.0f} mm, blade {blade_m:.2f} m wide"
    left, right = " " * MARGIN + "left end", "right end" + " " * MARGIN
    room = columns - len(left) - len(right)
    words = f"{left}{scale:^{room}}{right}" if len(scale) + 2 <= room else scale
    return (" " * (LABEL + 1) + words).rstrip()[:width]
