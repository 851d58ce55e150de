"""Range bars: simulated, on the wire, and real ones.

Wiring on hardware: the bar as the rig file has it, level and at rest, 0.6 m (0.3 to 1 m) over a
flat plate that covers the whole bar, nothing moving nearby. The tests unplug it by hand where a
terminal is there to ask at. No test here moves oil.
"""

from __future__ import annotations

import random
import statistics
from collections import defaultdict
from itertools import pairwise

from drivers import protocols
from drivers.samples import RangePing, Validity
from hil_tests.bench import TICK_S, Bench
from hil_tests.unplugged import unplug_and_replug

SOUND = 343.2  # m/s, 20 C
LISTEN_S = 4.0
OUTLIER_M = 0.01  # m: late echoes are no noise; slips of a cycle are within it
SPREAD_OF_SD = 1.4  # a sample of some 30 echoes: 1 sigma is known within 13 %, and three of those


def pings(bench: Bench, seconds: float = LISTEN_S) -> list[tuple[float, RangePing]]:
    found = [(now, s) for now, s in bench.listen(seconds) if isinstance(s, RangePing)]
    assert found, bench.trouble()
    return found


def test_it_is_a_bar_and_has_a_name(bar: Bench) -> None:
    assert isinstance(bar.device, protocols.RangeBar)
    bar.settle()


def test_every_element_fires_at_the_stated_rate(bar: Bench) -> None:
    """In a frame each fires once; a loop of 100 ticks a second may add a tick to each pause."""
    bar.settle()
    got = [ping for _, ping in pings(bar)]
    shares = defaultdict(int)
    for ping in got:
        shares[ping.element] += 1
    assert set(shares) == set(range(max(shares) + 1))
    frames = LISTEN_S / bar.period_s
    for count in shares.values():
        assert frames * 0.6 - 1 <= count <= frames * 1.1 + 1


def test_times_rise_and_no_sample_is_ahead(bar: Bench) -> None:
    bar.settle()
    got = pings(bar)
    assert all(a.time_s < b.time_s for (_, a), (_, b) in pairwise(got))
    for now, ping in got:
        assert now - 1.0 <= ping.time_s <= now
        assert (ping.validity is Validity.OK) == bool(ping.echoes)
        for echo in ping.echoes:
            assert 0.0 < echo.flight_s < 0.06
            assert abs(echo.time_s - (ping.time_s + 0.5 * echo.flight_s)) < 1e-6


def test_a_firings_time_is_when_it_fired(bar: Bench) -> None:
    fired = bar.need("fired")
    bar.settle()
    off = [
        min(abs(ping.time_s - at) for at in fired(ping.element)) for _, ping in pings(bar)
    ]  # fmt: skip
    assert max(off) <= bar.spread_s


def test_ranges_spread_no_more_than_stated(bar: Bench) -> None:
    """The median of the elements' spreads: one may look at an edge."""
    bar.settle()
    by_element: dict[int, list[float]] = defaultdict(list)
    for _, ping in pings(bar, 8.0):
        if ping.echoes:
            by_element[ping.element].append(0.5 * SOUND * ping.echoes[0].flight_s)
    spreads = []
    for ranges in by_element.values():
        middle = statistics.median(ranges)
        spreads.append(statistics.pstdev(r for r in ranges if abs(r - middle) < OUTLIER_M))
    assert len(spreads) >= 3
    assert statistics.median(spreads) <= SPREAD_OF_SD * bar.noise["range_m"]


def test_a_dead_element_is_seen_within_three_periods(bar: Bench) -> None:
    kill, dead = bar.need("kill"), bar.need("dead")
    bar.settle()
    bar.listen(2.0)
    assert not dead(bar.clock())
    victim = kill()
    bar.listen(3 * bar.period_s + bar.period_s + 2 * TICK_S)  # its last answer may be still to come
    now_dead = dead(bar.clock())
    assert now_dead is True or victim in now_dead


def test_unplugged_it_gives_nothing_and_comes_back(bar: Bench) -> None:
    unplug_and_replug("bar", bar)
    assert pings(bar, 2.0)
    assert bar.trouble() == ""


def test_bad_bytes_are_counted_and_the_bar_goes_on(bar: Bench) -> None:
    babble, counts = bar.need("babble"), bar.need("counts")
    bar.settle()
    before = sum(counts().values())
    rng = random.Random(1)
    for _ in range(50):
        babble(rng.randbytes(40))
        bar.listen(0.02)
    assert sum(counts().values()) > before
    bad = {n: c for n, c in counts().items() if n == "junk" or n.startswith("bad")}
    assert sum(bad.values()) > 0
    bar.listen(1.0)
    assert pings(bar, 2.0)


def test_the_gate_reaches_those_that_take_one(bar: Bench) -> None:
    told = bar.need("gate")
    send = bar.does.get("send gate", getattr(bar.device, "gate", None))
    bar.settle()
    send(0.5, 0.7)
    bar.listen(2.0)
    reach = told()
    assert reach
    assert all(2 * 0.7 - 0.01 <= far <= 2 * 0.8 for far in reach)
    assert pings(bar, 2.0)
