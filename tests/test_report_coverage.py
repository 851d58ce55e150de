"""The report's intervals against the simulator's truth over a few short runs.

docs/report_coverage.py judges a hundred longer ones; what is asked here leaves room for the few.
"""

from __future__ import annotations

import numpy as np
import pytest
from report_made import PATH_M, coverage


@pytest.fixture(scope="module")
def judged() -> list:  # type: ignore[type-arg]
    return [coverage.judge(seed, PATH_M) for seed in (51, 52)]


def test_most_intervals_hold_the_truth_and_are_not_wide(judged: list) -> None:  # type: ignore[type-arg]
    """Two runs have but two tilt zeros and strings, so that their rms says little of the width:
    that is held against a limit in mm and % instead."""
    widest = {"left end": 3.5, "right end": 5.5, "crossfall": 0.22}
    for row in coverage.rows(judged):
        assert row["stations"] > 150
        assert row["covered_pct"] >= 80.0, row
        assert row["half_width"] < widest[row["what"]], row


def test_a_tenth_of_the_width_would_not_hold_it(judged: list) -> None:  # type: ignore[type-arg]
    """The judge can say no: a tenth of the stated uncertainty covers little."""
    thin = [coverage.Judged(one.seed, one.gap, 0.1 * one.u) for one in judged]
    assert all(row["covered_pct"] < 50.0 for row in coverage.rows(thin))
    assert not coverage.shown(list(coverage.rows(thin)))
    wide = [coverage.Judged(one.seed, one.gap, 10.0 * one.u) for one in judged]
    assert not coverage.shown(list(coverage.rows(wide)))


def test_the_judge_counts_by_hand() -> None:
    gap = np.array([[1.0, -1.0, 3.0, np.nan]] * 3)
    u = np.array([[1.0, 1.0, 1.0, 1.0]] * 3)
    row = next(coverage.rows([coverage.Judged(0, gap, u)]))
    assert row["stations"] == 3
    assert row["covered_pct"] == pytest.approx(200.0 / 3.0)
    assert row["ratio"] == pytest.approx(1.0 / np.sqrt(11.0 / 3.0))
