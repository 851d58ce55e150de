"""The ring of the blade's poses: interpolation, its depth, and what it no longer knows."""

from __future__ import annotations

import numpy as np
import pytest

from firmware_py.fuse.history import DEPTH, History, Row
from firmware_py.sense.intake import LATE

SLOPES = np.array([1.0, 0.02, -0.3, 0.4, 0.05, -0.06, 0.07])


def _row(t: float) -> Row:
    """Every column in proportion to time, each at its own rate."""
    return tuple(float(v) for v in SLOPES * t)  # type: ignore[return-value]


def _filled(n: int, step: float = 0.005, start: float = 100.0) -> History:
    history = History()
    for k in range(n):
        history.push(_row(start + k * step))
    return history


def test_empty_knows_nothing() -> None:
    history = History()
    assert history.at(0.0) is None
    history.push(_row(1.0))
    history.reset()
    assert history.at(1.0) is None


def test_between_two_ticks_it_is_linear() -> None:
    """Against numpy's interp on a crooked course at uneven times, column by column."""
    rng = np.random.default_rng(4)
    times = 100.0 + np.cumsum(rng.uniform(0.002, 0.02, 60))
    rows = np.column_stack([times, rng.normal(size=(60, 6))])
    history = History()
    for row in rows:
        history.push(tuple(float(v) for v in row))  # type: ignore[arg-type]
    for t in rng.uniform(times[0], times[-1], 300):
        want = [np.interp(t, times, column) for column in rows.T]
        assert history.at(float(t)) == pytest.approx(want, abs=1e-9)
    for row in rows:
        assert history.at(float(row[0])) == pytest.approx(row, abs=1e-12)


def test_the_future_is_the_newest_row() -> None:
    """An echo may be up to a tick younger than the newest pose: nothing is extrapolated."""
    history = _filled(10)
    assert history.at(200.0) == history.now() == _row(100.0 + 9 * 0.005)


@pytest.mark.parametrize("n", [1, 2, DEPTH - 1, DEPTH, DEPTH + 1, 3 * DEPTH + 5])
def test_the_ring_holds_its_depth_and_no_more(n: int) -> None:
    """The oldest row that is kept is found, and just before it None comes back."""
    history = _filled(n)
    oldest = 100.0 + max(0, n - DEPTH) * 0.005
    assert history.at(oldest) == pytest.approx(_row(oldest))
    assert history.at(oldest - 1e-6) is None
    assert history.count == min(n, DEPTH)


def test_it_reaches_as_far_back_as_intake_lets_echoes_in() -> None:
    """At 200 ticks a second, the fastest loop; slower ones reach further back."""
    history = _filled(DEPTH)
    newest = history.now()[0]
    assert history.at(newest - LATE) == pytest.approx(_row(newest - LATE))


def test_after_a_reset_old_rows_do_not_come_back() -> None:
    history = _filled(DEPTH)
    history.reset()
    history.push(_row(300.0))
    history.push(_row(300.005))
    assert history.at(299.9) is None
    assert history.at(300.001) == pytest.approx(_row(300.001))
