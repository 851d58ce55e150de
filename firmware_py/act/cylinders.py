"""Blade ends to cylinders: they stand inboard, so lifting one end lowers the other a little.

Derived: the edge is rigid, so heights are linear across it. Rates or heights alike; left first.
Each valve has a ratio of its own, as far as it was found: half width / what its motion turns about.
"""

from __future__ import annotations


def ends_from_cylinders(left: float, right: float, ratio: float) -> tuple[float, float]:
    """End motion from cylinder motion; ratio = half width / cylinder's distance off the middle."""
    mean, half = 0.5 * (left + right), 0.5 * (left - right) * ratio
    return mean + half, mean - half


def cylinders_from_ends(left: float, right: float, ratio: float) -> tuple[float, float]:
    """Cylinder motion that gives this end motion."""
    return ends_from_cylinders(left, right, 1.0 / ratio)


Ratios = tuple[float, float]


def ends_from_valves(left: float, right: float, ratios: Ratios) -> tuple[float, float]:
    """As ends_from_cylinders, each valve with its ratio."""
    if ratios[0] == ratios[1]:
        return ends_from_cylinders(left, right, ratios[0])
    mean, half = 0.5 * (left + right), 0.5 * (left * ratios[0] - right * ratios[1])
    return mean + half, mean - half


def valves_from_ends(left: float, right: float, ratios: Ratios) -> tuple[float, float]:
    """Its inverse: left + right is shared, what is between them goes by the ratios."""
    if ratios[0] == ratios[1]:
        return cylinders_from_ends(left, right, ratios[0])
    both, apart = left + right, left - right
    one = (apart + both * ratios[1]) / (ratios[0] + ratios[1])
    return one, both - one
