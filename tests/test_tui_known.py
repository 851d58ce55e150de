"""What a dashboard remembers of a run."""

from __future__ import annotations

import itertools
import math

import pytest
from tui_made import NOW, bar_tick, beat, devices, end_tick, hello, host, run_of, tick

from firmware_py.link.frames import FRESH_S, Bye, Note, Told
from firmware_py.messages import Answer, Check, Side
from tui.drive_words import Seen, end_age_s
from tui.known import HISTORY_S, KEEP_EVERY_S, LATE_S, TRACE_M, Known
from tui.units import Units


def known(*frames: object) -> Known:
    made = Known()
    made.take(frames)  # type: ignore[arg-type]
    return made


def test_before_the_first_tick_nothing_is_fresh() -> None:
    made = known(hello())
    assert made.tick is None
    assert made.age_s(NOW) == math.inf
    assert not made.fresh(NOW)
    assert made.bar(Side.LEFT) is None


@pytest.mark.parametrize(
    ("age_s", "fresh"), [(0.0, True), (FRESH_S - 1e-6, True), (FRESH_S + 1e-6, False)]
)
def test_a_tick_is_fresh_for_so_long(age_s: float, fresh: bool) -> None:
    made = known(beat(NOW))
    assert made.age_s(NOW + age_s) == pytest.approx(age_s)
    assert made.fresh(NOW + age_s) is fresh


def test_a_lost_link_is_never_fresh() -> None:
    made = known(beat(NOW), Bye("The run has ended."))
    assert made.lost == "The run has ended."
    assert not made.fresh(NOW)


def test_frames_land_where_they_belong() -> None:
    made = known(
        hello(rig="r"), devices(), host(recorded_bytes=7), Note("n"), Told(Answer(3, True, ""))
    )
    assert made.hello is not None
    assert made.hello.rig == "r"
    assert made.host is not None
    assert made.host.recorded_bytes == 7
    assert made.devices is not None
    assert made.devices.time_s == NOW
    assert list(made.notes) == ["n"]
    assert list(made.answers) == [Answer(3, True, "")]


def test_errors_are_thinned_and_end_after_their_time() -> None:
    made = known(*run_of(30.0))
    times = [e.time_s for e in made.errors]
    assert times[0] >= NOW - HISTORY_S
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert min(gaps) >= KEEP_EVERY_S - 1e-9
    assert len(times) == pytest.approx(HISTORY_S / KEEP_EVERY_S, rel=0.2)
    assert made.errors[-1].left_m == pytest.approx(-0.004)


def test_lateness_is_kept_for_a_minute() -> None:
    made = known(*run_of(70.0, hz=10.0))
    assert made.late[0][0] >= NOW - LATE_S
    assert len(made.late) == pytest.approx(601, abs=1)


def test_the_trace_goes_by_the_way_not_by_time() -> None:
    standing = [beat(NOW + 0.01 * k, distance_m=5.0, steer_m=0.001 * k) for k in range(50)]
    made = known(*standing)
    assert len(made.trace) == 1
    assert made.trace[0].lateral_m == pytest.approx(0.049)  # the newest
    made.take([beat(NOW + 1.0, distance_m=5.5, steer_m=None)])
    assert made.trace[-1].lateral_m is None


def test_the_trace_ends_after_its_way() -> None:
    made = known(*run_of(40.0, hz=20.0))  # 20 m
    ways = [s.way_m for s in made.trace]
    assert ways[-1] - ways[0] <= TRACE_M
    assert ways[-1] - ways[0] > TRACE_M - 0.1


def test_without_a_way_there_is_no_trace() -> None:
    assert not known(beat(distance_m=None)).trace


def test_checks_are_kept() -> None:
    check = Check(Side.LEFT, 3.0, 0.1, 0.1, 0.0, 0.0, 0)
    assert known(beat(check=check), beat(NOW + 0.01)).checks == [check]


def test_the_age_of_an_error_counts_since_the_reference_was_seen() -> None:
    """String under the left bar: 0.1 s since the tick, 0.25 s unseen before it."""
    frames = hello(), beat(bars=(bar_tick(unseen_s=0.25),))
    seen = Seen(known(*frames), NOW + 0.1, Units(), frozenset())
    now = tick()
    assert end_age_s(seen, now, Side.LEFT) == pytest.approx(0.35)
    assert end_age_s(seen, now, Side.RIGHT) == pytest.approx(0.35)  # it follows by the crossfall


def test_an_end_that_follows_nothing_has_the_age_of_the_tick() -> None:
    held = end_tick(guide="by hand")
    frames = hello(), beat(left=held, bars=(bar_tick(unseen_s=9.0),))
    made = known(*frames)
    assert made.tick is not None
    seen = Seen(made, NOW + 0.1, Units(), frozenset())
    assert end_age_s(seen, made.tick, Side.LEFT) == pytest.approx(0.1)


def test_never_seen_is_endlessly_old() -> None:
    frames = hello(), beat(bars=(bar_tick(unseen_s=None),))
    seen = Seen(known(*frames), NOW, Units(), frozenset())
    assert end_age_s(seen, tick(), Side.LEFT) == math.inf
