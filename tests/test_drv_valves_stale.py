"""Valves on a stand-in PWM chip that are commanded from old firings of a bar."""

from __future__ import annotations

import math

import pytest
from test_drv_valves_wire import Bench

from drivers.samples import AirSample, RangePing, Validity
from drivers.valves.fresh import Newest


def test_a_command_from_old_firings_is_neutral_and_feeds_no_lease() -> None:
    """Both sides of 150 ms; the relay drops out 0.2 s after the last edge, and comes back."""
    bench = Bench()
    bench.fired = 0.149
    bench.write(0.7, -0.7)
    assert bench.duties == [0.7, 0, 0, 0.7]
    assert bench.valves.trouble is None
    edges = len(bench.relay.told)
    bench.fired = 0.151
    bench.write(0.7, -0.7, 0.1)
    assert bench.duties == [0, 0, 0, 0]
    assert bench.relay.holds()  # the chip was shut first
    assert bench.valves.counts["stale"] == 10
    assert bench.valves.trouble == (
        "valves: the newest firing of a bar is 0.15 s old; at most 0.15 s is right, so they are "
        "neutral"
    )
    bench.write(0.0, 0.0, 0.15)
    assert not bench.relay.holds()
    assert len(bench.relay.told) == edges
    bench.fired = 0.0
    bench.write(0.7, 0.0)
    assert bench.relay.holds()
    assert bench.duties[0] == 0.7
    assert bench.valves.trouble is None


@pytest.mark.parametrize("age", [math.inf, math.nan])
def test_before_any_firing_nothing_is_driven(age: float) -> None:
    bench = Bench()
    bench.fired = age
    bench.write(1.0, 1.0)
    assert bench.duties == [0, 0, 0, 0]
    assert "at most 0.15 s is right" in str(bench.valves.trouble)


def test_the_newest_firing_counts_and_none_that_is_ahead_of_the_clock() -> None:
    now = 10.0
    newest = Newest(lambda: now)
    assert newest.age_s() == math.inf
    newest.took([_ping(9.9), _ping(9.8), _ping(10.003)])
    assert newest.age_s() == pytest.approx(0.1)
    newest.took([AirSample("air", 9.99, Validity.OK, 17.0)])
    now = 10.1
    assert newest.age_s() == pytest.approx(0.2)
    newest.took([_ping(10.101)])
    assert newest.age_s() == pytest.approx(-0.001)


def _ping(time_s: float) -> RangePing:
    return RangePing("bar.left", time_s, Validity.OK, 0, ())
