"""A straight string between pins: what it errs by, and how far apart its pins may stand.

m, N, kg; sag > 0 hangs down. A layer's bow is what it lies above the straight line between two of
its points: > 0 over a crest, < 0 in a hollow.
"""

from __future__ import annotations

import math

import numpy as np

from firmware_py.setout.alignment import Floats, SetoutError

SHALLOW = 20.0  # spans to one of sag; see is_shallow
GRAVITY = 9.80665  # m/s2, standard gravity (CGPM 1901)


def line_weight(mass_kg_per_m: float) -> float:
    """Weight of a line, N/m."""
    return mass_kg_per_m * GRAVITY


def sag(span: float, weight: float, tension: float) -> float:
    """Sag in the middle of a level span, m: w L^2 / (8 T), the parabola."""
    return weight * span * span / (8.0 * tension)


def is_shallow(span: float, hang: float) -> bool:
    """Whether the parabola stands for the catenary: up to a twentieth of the span it is 0.33 %
    low (cosh(4 / 20) - 1 against its first term)."""
    return hang <= span / SHALLOW


def sag_at(x: Floats, span: Floats, weight: float, tension: float) -> Floats:
    """Sag at x from a span's start, m: w x (L - x) / (2 T)."""
    out: Floats = weight * x * (span - x) / (2.0 * tension)
    return out


def catenary_sag(span: float, weight: float, tension: float) -> float:
    """Sag of the catenary itself, m: (T / w) (cosh(w L / 2 T) - 1), T horizontal."""
    return tension / weight * (math.cosh(0.5 * weight * span / tension) - 1.0)


def length_excess(span: float, weight: float, tension: float) -> float:
    """How much longer than its span a sagging line is, m: w^2 L^3 / (24 T^2)."""
    return weight**2 * span**3 / (24.0 * tension**2)


def tension_for(span: float, weight: float, most_sag: float) -> float:
    """The tension that keeps the sag at this, N."""
    return weight * span * span / (8.0 * most_sag)


def bow(rate: float, span: float) -> float:
    """Bow in the middle of a chord under a parabola of this rate (1/m), m: -r s^2 / 8."""
    return -rate * span * span / 8.0


def middle_ordinate(radius: float, span: float) -> float:
    """How far a circle lies off the middle of its chord, m: R - sqrt(R^2 - (s/2)^2)."""
    if not span <= 2.0 * radius:
        raise SetoutError(f"a chord of {span:g} m in a circle of radius {radius:g} m")
    return radius - math.sqrt(radius * radius - 0.25 * span * span)


def chord_for(radius: float, ordinate: float) -> float:
    """The chord whose middle ordinate is this, m: 2 sqrt(2 R m - m^2)."""
    m = min(ordinate, radius)
    return 2.0 * math.sqrt(2.0 * radius * m - m * m)


def widest(rate: float, weight: float, tension: float, tolerance: float) -> float:
    """The widest span with bow, sag, and both together within the tolerance, m; inf if none is.

    bow + sag in the middle is (w/T - r) s^2 / 8: they add over a crest, in a hollow they do not.
    """
    pull = weight / tension
    worst = max(abs(rate), pull, abs(pull - rate))
    return math.sqrt(8.0 * tolerance / worst) if worst > 0.0 else math.inf


def errors(
    at: Floats, pins: Floats, level: Floats, pin_level: Floats, pull: float
) -> tuple[Floats, Floats]:
    """Bow and sag at each chainage between pins, m. pull = w / T, 1/m."""
    k = np.clip(np.searchsorted(pins, at, side="right") - 1, 0, pins.size - 2)
    span = pins[k + 1] - pins[k]
    x = at - pins[k]
    line = pin_level[k] + (pin_level[k + 1] - pin_level[k]) * x / span
    return level - line, np.maximum(sag_at(x, span, pull, 1.0), 0.0)
