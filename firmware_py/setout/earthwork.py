"""Areas and volumes of cut and fill. m, m2, m3; depth = ground less layer, > 0 is cut."""

from __future__ import annotations

import numpy as np

from firmware_py.setout.alignment import Floats


def section_areas(left: Floats, right: Floats, width: Floats) -> tuple[Floats, Floats]:
    """Cut and fill area of each section from the depth at its two edges, straight between them."""
    high, low = np.maximum(left, right), np.minimum(left, right)
    both = np.where(high > low, high - low, 1.0)
    mixed = (high > 0.0) & (low < 0.0)
    mean = 0.5 * width * (left + right)
    cut = np.where(mixed, 0.5 * width * high**2 / both, np.maximum(mean, 0.0))
    fill = np.where(mixed, 0.5 * width * low**2 / both, np.maximum(-mean, 0.0))
    return cut, fill


def end_area_volumes(at: Floats, area: Floats, pyramid: bool = False) -> Floats:
    """Volume between each two sections: L (A1 + A2) / 2.

    pyramid: where one area is zero L A / 3, as a wedge that runs out to a point.
    """
    length = np.diff(at)
    one, two = area[:-1], area[1:]
    mean: Floats = 0.5 * (one + two) * length
    if not pyramid:
        return mean
    ends = (one == 0.0) != (two == 0.0)
    out: Floats = np.where(ends, (one + two) * length / 3.0, mean)
    return out


def prismoidal_volumes(at: Floats, area: Floats, middle: Floats) -> Floats:
    """L (A1 + 4 Am + A2) / 6 between each two sections; Am is the area of the section midway."""
    out: Floats = np.diff(at) * (area[:-1] + 4.0 * middle + area[1:]) / 6.0
    return out
