"""Stations: passes, several logs, a run against chainage, a job; all by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from asgraded_made import SETTINGS, against, columns, run, way
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.asgraded.build import build
from firmware_py.asgraded.chainage import along, passes
from firmware_py.asgraded.columns import MODES, Said
from firmware_py.asgraded.facts import facts
from firmware_py.asgraded.figures import beyond, unknown
from firmware_py.asgraded.happenings import holds, lost, words
from firmware_py.asgraded.reading import ReportError
from firmware_py.job import Job, Pin, Station
from firmware_py.messages import Mode, Nudge, SetDatum, Side


def test_a_station_is_the_mean_of_its_own_ticks() -> None:
    """0.1 m at 0.5 m/s are 20 ticks of 5 mm of way; errors of 1 mm a metre rise with them."""
    made = columns(way(5.0), left=1e-3 * way(5.0))
    rows = build([run(made)]).stations
    assert rows.chainage[:3] == pytest.approx([0.05, 0.15, 0.25])
    assert rows.left[10] == pytest.approx(1e-3 * 1.0525, abs=6e-6)
    assert rows.until_s[3] - rows.time_s[3] == pytest.approx(0.19)


def test_the_last_pass_over_a_place_is_what_was_built() -> None:
    """10 m forward 4 mm high, 6 m back, 6 m forward on level: the first 4 m stay high."""
    parts = way(10.0), way(-6.0, 10.0), way(6.0, 4.0)
    high = np.concatenate([np.full(parts[0].size, 4e-3), np.zeros(parts[1].size + parts[2].size)])
    rows = build([run(columns(np.concatenate(parts), left=high))]).stations
    assert rows.left[rows.chainage < 3.9] == pytest.approx(4e-3)
    assert rows.left[rows.chainage > 4.1] == pytest.approx(0.0)
    assert set(rows.part.tolist()) == {0, 1}


def test_backing_by_less_than_the_sensors_noise_is_no_new_pass() -> None:
    way_ = np.array([0.0, 1.0, 0.9, 1.1, 2.0, 1.6, 1.5, 1.95, 2.5])
    assert passes(way_).tolist() == [0, 0, 0, 0, 0, 1, 1, 1, 1]


@given(st.lists(st.floats(-2.0, 2.0), min_size=1, max_size=60))
def test_passes_only_count_up(steps: list[float]) -> None:
    found = passes(np.cumsum(steps))
    assert (np.diff(found) >= 0).all()
    assert found[0] == 0


def test_driven_in_neutral_is_no_pass_and_is_told() -> None:
    made = columns(way(10.0), left=2e-3)
    mode = made.mode.copy()
    mode[800:1200] = MODES.index(Mode.NEUTRAL)  # 4 to 6 m
    built = build([run(replace(made, mode=mode))])
    inside = (built.stations.chainage > 4.1) & (built.stations.chainage < 5.9)
    assert not inside.any()
    found = holds(built.last)
    assert [one.what for one in found] == ["valves neutral"]
    assert (found[0].start, found[0].end) == pytest.approx((4.005, 6.0), abs=0.01)
    holes = list(unknown(built.stations.chainage, built.stations.left, built.step))
    assert holes == [pytest.approx((4.0, 6.0), abs=0.06)]


def test_two_logs_are_joined_by_chainage_and_the_later_one_counts() -> None:
    one = run(columns(way(10.0), left=3e-3), name="one")
    two = run(columns(way(10.0), left=-1e-3), name="two")
    rows = build([one, two], starts=(0.0, 5.0)).stations
    assert rows.chainage[0] == pytest.approx(0.05)
    assert rows.chainage[-1] == pytest.approx(15.0, abs=0.06)
    assert rows.left[rows.chainage < 4.9] == pytest.approx(3e-3)
    assert rows.left[rows.chainage > 5.1] == pytest.approx(-1e-3)
    assert (np.diff(rows.chainage) > 0.05).all()


def test_against_chainage_left_and_right_and_crossfall_are_turned() -> None:
    made = columns(way(10.0), left=3e-3, crossfall=np.full(2000, -0.021),
                   crossfall_target=np.full(2000, -0.02))  # fmt: skip
    built = build([run(made, settings=against())], starts=(50.0,))
    rows = built.stations
    assert (rows.chainage[0], rows.chainage[-1]) == pytest.approx((40.05, 49.95), abs=0.06)
    assert rows.right == pytest.approx(3e-3)  # the driver's left
    assert rows.left == pytest.approx(3e-3 + 1.8e-3)  # 0.1 % steeper, falling to the right
    assert rows.crossfall == pytest.approx(0.001)
    assert built.last.master is Side.RIGHT


def test_without_a_distance_the_stations_are_of_time() -> None:
    nothing = np.full(1000, np.nan)
    built = build([run(columns(nothing, left=1e-3))])
    assert built.by_time
    assert built.stations.chainage[:2] == pytest.approx([0.25, 0.75])
    assert built.stations.left == pytest.approx(1e-3)


def job(**more: object) -> Job:
    stations = [
        Station(chainage_m=0.0, offset_mm=0.0, crossfall_pct=2.0, level_m=100.0),
        Station(chainage_m=20.0, offset_mm=20.0, crossfall_pct=1.0, level_m=100.2),
    ]
    parts = {"name": "a path", "layer": "subgrade", "stations": stations, "string_side": "left"}
    return Job.model_validate(parts | more)


def test_a_job_in_place_of_the_targets_in_the_log() -> None:
    """By hand at 10 m: the job asks 10 mm more and 1.5 %. The log's edge stood 4 mm over its datum
    line, offset of 5 mm and error of -1 mm, at 2 %: 6 mm too low, 0.5 % too steep; the right end
    1.8 m * 0.5 % = 9 mm lower still."""
    made = columns(way(20.0), left=-1e-3)
    ends = made.ends | {Side.LEFT: replace(made.ends[Side.LEFT], offset=np.full(4000, 5e-3))}
    rows = build([run(replace(made, ends=ends))], job()).stations
    at = int(np.argmin(np.abs(rows.chainage - 10.0)))
    assert rows.left[at] == pytest.approx(-6e-3, abs=0.1e-3)
    assert rows.crossfall[at] == pytest.approx(0.005, abs=1e-4)
    assert rows.right[at] == pytest.approx(-6e-3 - 9e-3, abs=0.2e-3)
    assert rows.left_level[at] == pytest.approx(100.1, abs=1e-3)
    assert rows.right_level[at] == pytest.approx(100.1 - 1.8 * 0.015, abs=1e-3)


def test_a_run_that_followed_the_job_is_judged_by_it() -> None:
    """What the schedule added is in its target already; a cut's limit is not asked for."""
    made = columns(way(20.0), scheduled=1e-3 * way(20.0), raised=np.full(4000, 0.025))
    followed = run(made, job={"name": "a path"})
    rows = build([followed], job()).stations
    assert rows.left == pytest.approx(0.025, abs=1e-4)
    assert build([run(made)]).stations.left == pytest.approx(0.025)


def test_a_job_elsewhere_is_refused() -> None:
    with pytest.raises(ReportError, match=r"from 0 to 20 m and the log from 500\.1 to 510\.0 m: "):
        build([run(columns(way(10.0)))], job(), starts=(500.0,))


def test_what_no_report_can_be_made_of() -> None:
    made = columns(way(10.0), left=np.nan, right=np.nan)
    with pytest.raises(ReportError, match="no datum was ever in force"):
        build([run(made)])
    neutral = columns(way(10.0), mode=np.full(2000, MODES.index(Mode.NEUTRAL), np.int8))
    with pytest.raises(ReportError, match="never driven forward in automatic"):
        build([run(neutral)])
    wide = SETTINGS | {"blade": {"width_mm": 2000.0}}
    with pytest.raises(ReportError, match=r"2 m wide and made\.mcap of one 1\.8 m wide"):
        build([run(columns(way(1.0))), run(columns(way(1.0)), settings=wide)])
    timed = run(columns(np.full(100, np.nan)))
    with pytest.raises(ReportError, match="holds no distance"):
        build([run(columns(way(1.0))), timed])


def test_high_and_low_places() -> None:
    at = np.arange(0.05, 10.0, 0.1)
    error = np.where((at > 2.0) & (at < 3.0), 8e-3, 0.0)
    error[(at > 5.0) & (at < 5.1)] = 9e-3  # one station
    error[(at > 7.0) & (at < 7.5)] = -6e-3
    u = np.full(at.size, 1e-3)
    high = list(beyond(at, error, u, 5e-3, step=0.1, sign=1))
    low = list(beyond(at, error, u, 5e-3, step=0.1, sign=-1))
    assert [(one.start, one.end, one.most) for one in high] == [pytest.approx((2.0, 3.0, 8e-3))]
    assert [(one.start, one.end, one.most) for one in low] == [pytest.approx((7.0, 7.5, -6e-3))]
    assert high[0].half_width == pytest.approx(2e-3)


def test_an_end_that_falls_from_the_other_is_counted_from_the_target_too() -> None:
    """By hand: the led end 4 mm high, 0.1 % too steep over 1.8 m: 4 - 1.8 = 2.2 mm; its own offset
    of 0.5 mm raises the target. What the tick says there may lean on a hand at the other end."""
    made = columns(way(5.0), left=4e-3, right=77e-3, crossfall=np.full(1000, 0.021))
    ends = made.ends | {Side.RIGHT: replace(made.ends[Side.RIGHT], offset=np.full(1000, 0.5e-3))}
    rows = build([run(replace(made, ends=ends))]).stations
    assert rows.right == pytest.approx(4e-3 - 1.8e-3 - 0.5e-3)


def test_a_high_place_over_an_obstacle_of_the_job_names_it() -> None:
    high = np.where((way(20.0) > 7.0) & (way(20.0) < 9.0), 0.06, 0.0)
    rows = {"kind": "cover", "from_m": 7.5, "to_m": 8.0, "words": "gully frame"}
    made = run(columns(way(20.0), raised=high), job={"name": "a path"})
    level = [
        Station(chainage_m=0.0, crossfall_pct=2.0),
        Station(chainage_m=20.0, crossfall_pct=2.0),
    ]
    found = facts(build([made], job(obstacles=[rows], stations=level)))["ends"]["left"]["high"]
    assert [one["obstacle"] for one in found] == ["gully frame"]
    assert (found[0]["from_m"], found[0]["to_m"]) == pytest.approx((7.0, 9.0), abs=0.11)


def test_where_the_reference_was_lost() -> None:
    made = columns(way(10.0))
    link = made.ends[Side.LEFT].link.copy()
    link[400:500] = 0  # searching, from 2 to 2.5 m
    ends = made.ends | {Side.LEFT: replace(made.ends[Side.LEFT], link=link)}
    found = lost(along(run(replace(made, ends=ends))))
    assert [(one.what, one.seconds) for one in found] == [
        ("left reference lost", pytest.approx(1.0))
    ]
    assert (found[0].start, found[0].end) == pytest.approx((2.0, 2.5), abs=0.01)


def test_what_the_driver_asked_for_stands_where_it_was_asked() -> None:
    said = [Said(0, 0.0, SetDatum(1, Side.LEFT)), Said(400, 4.0, Nudge(2, Side.LEFT, -0.002))]
    found = words(along(run(columns(way(10.0)), said)))
    assert [one.words for one in found] == ["datum set at the left end", "left offset -2.0 mm"]
    assert found[1].at == pytest.approx(2.0, abs=0.01)
    turned = words(along(run(columns(way(10.0)), said, settings=against())))
    assert turned[1].words == "right offset -2.0 mm"


def test_the_widest_span_of_the_jobs_pins_counts() -> None:
    from firmware_py.asgraded.calibrations import assumed

    pins = [Pin(chainage_m=0.0), Pin(chainage_m=4.0), Pin(chainage_m=12.0)]
    found = assumed((), job(pins=pins), reference_mm=2.0, datum_mm=None)
    assert found.span_m == 8.0
    assert (found.reference.u, found.reference.source) == (pytest.approx(2e-3), "as given")
