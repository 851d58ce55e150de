"""The 3 m straightedge: cases worked by hand, and against the least potential energy by scipy.

EN 13036-7's text is known second-hand (docs/checks.md); the geometry of an edge at rest is not.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from firmware_py.asgraded.columns import Floats
from firmware_py.asgraded.straightedge import carriers, deviation, lay

X = np.round(np.arange(0.0, 3.05, 0.1), 10)


def test_a_plane_has_no_deviation_whatever_its_slope() -> None:
    found = lay(np.arange(0.0, 10.0, 0.1), 0.02 * np.arange(0.0, 10.0, 0.1))
    assert found.deviation.size == 70
    assert found.deviation == pytest.approx(np.zeros(70), abs=1e-12)
    assert found.middle[0] == pytest.approx(1.5)


def test_a_single_hollow_is_its_own_depth() -> None:
    z = np.zeros_like(X)
    z[10] = -0.007
    middle, gap, at = deviation(X, z)
    assert (middle, gap, at) == pytest.approx((1.5, 0.007, 1.0))


def test_a_single_bump_off_the_middle_tilts_the_edge() -> None:
    """6 mm high at 1 m: the edge lies on it and on its far end, at 3 m. Beside the bump, at 1.1 m,
    it stands 6 * (3 - 1.1) / 2 = 5.7 mm over the plane."""
    z = np.zeros_like(X)
    z[10] = 0.006
    assert carriers(X, z, 1.5) == (10, 30)
    _, gap, at = deviation(X, z)
    assert gap == pytest.approx(0.0057)
    assert at == pytest.approx(1.1)


def test_a_crest_carries_the_edge_at_its_top_and_hides_no_gap() -> None:
    """On a round crest each two neighbours lie above all chords: the points of contact are one
    step apart, and there is nothing between them."""
    z = -0.004 * (X - 1.5) ** 2
    _, gap, _ = deviation(X, z)
    assert gap == pytest.approx(0.0, abs=1e-12)


def test_a_sag_curve_is_w_l2_over_8() -> None:
    """z = k x^2 / 2 under its own chord of 3 m: k L^2 / 8 in the middle."""
    z = 0.5 * 0.01 * (X - 1.5) ** 2
    _, gap, at = deviation(X, z)
    assert gap == pytest.approx(0.01 * 9.0 / 8.0)
    assert at == pytest.approx(1.5)


def test_a_step_up_lifts_the_far_end() -> None:
    """10 mm up at 2 m: the edge lies on its start and on the step's lip. Just before the lip, at
    1.9 m, it is 10 * 1.9 / 2 = 9.5 mm up."""
    z = np.where(X >= 2.0 - 1e-9, 0.010, 0.0)
    _, gap, at = deviation(X, z)
    assert gap == pytest.approx(0.0095)
    assert at == pytest.approx(1.9)


def resting(x: Floats, z: Floats) -> float:
    """Height of the middle of an edge at rest: the lowest that any line over all points allows.

    Independent of the hull: a linear programme, minimise a + b * middle with a + b x >= z.
    """
    middle = 0.5 * (x[0] + x[-1])
    found = linprog(
        [1.0, middle], A_ub=-np.column_stack([np.ones_like(x), x]), b_ub=-z,
        bounds=[(None, None), (None, None)],
    )  # fmt: skip
    assert found.success
    return float(found.fun)


@settings(max_examples=40)
@given(st.integers(0, 10_000))
def test_the_edge_rests_where_its_middle_is_lowest(seed: int) -> None:
    z = 0.004 * np.random.default_rng(seed).standard_normal(X.size)
    left, right = carriers(X, z, 1.5)
    slope = (z[right] - z[left]) / (X[right] - X[left])
    line = z[left] + slope * (X - X[left])
    assert (line - z >= -1e-12).all()
    assert line[15] == pytest.approx(resting(X, z), abs=1e-9)
    _, gap, at = deviation(X, z)
    inside = slice(left, right + 1)
    assert gap == pytest.approx(float((line - z)[inside].max()))
    assert X[left] <= at <= X[right]


def test_it_is_not_laid_over_what_is_not_known() -> None:
    x = np.arange(0.0, 10.0, 0.1)
    z = np.zeros_like(x)
    one = z.copy()
    one[50] = np.nan  # one station: passed over
    assert lay(x, one).deviation.size == 70 - 2  # but where an end of the edge would be there
    hole = z.copy()
    hole[45:55] = np.nan
    found = lay(x, hole)
    assert found.deviation.size > 0
    assert not ((found.middle > 3.1) & (found.middle < 6.8)).any()


def test_less_than_its_length_is_nothing() -> None:
    x = np.arange(0.0, 2.5, 0.1)
    assert not lay(x, np.zeros_like(x)).deviation.size
    assert not lay(np.zeros(0), np.zeros(0)).deviation.size
