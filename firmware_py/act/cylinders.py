"""Blade ends to cylinders: they stand inboard, so lifting one end lowers the other a little.

Derived: the edge is rigid, so heights are linear across it. Rates or heights alike; left first.
"""

from __future__ import annotations


def ends_from_cylinders(left: float, right: float, ratio: float) -> tuple[float, float]:
    """End motion from cylinder motion; ratio = half width / cylinder's distance off the middle."""
    mean, half = 0.5 * (left + right), 0.5 * (left - right) * ratio
    return mean + half, mean - half


def cylinders_from_ends(left: float, right: float, ratio: float) -> tuple[float, float]:
    """Cylinder motion that gives this end motion."""
    return ends_from_cylinders(left, right, 1.0 / ratio)
