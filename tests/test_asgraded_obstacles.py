"""A job's covers and poles in the report: apart from the figures, in rows of their own."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from asgraded_made import columns, run, way
from click.testing import CliRunner
from report_made import make_log, records, rewrite

from firmware_py.asgraded.build import Built, build
from firmware_py.asgraded.facts import facts
from firmware_py.asgraded.obstacles import clear, places
from firmware_py.asgraded.reading import read_run
from firmware_py.asgraded.write import render, stations_csv
from firmware_py.commands import cli
from firmware_py.job import Job
from firmware_py.messages import Record

GULLY = {"kind": "cover", "from_m": 7.5, "to_m": 8.0, "words": "gully frame"}
LEVEL = [{"chainage_m": 0.0, "crossfall_pct": 2.0}, {"chainage_m": 20.0, "crossfall_pct": 2.0}]


def built(*obstacles: dict[str, Any], lifted: tuple[float, float] = (7.0, 9.0)) -> Built:
    """1 mm too high all along, 60 mm more from 7 to 9 m; lifted: where the log says it was up."""
    at = way(20.0)
    up, told = (at > 7.0) & (at < 9.0), (at > lifted[0]) & (at < lifted[1])
    made = columns(at, left=1e-3, right=1e-3, raised=np.where(up, 0.06, 0.0), lifted=told)
    job = Job.model_validate(
        {"name": "a path", "layer": "subgrade", "stations": LEVEL, "string_side": "left",
         "obstacles": list(obstacles)}
    )  # fmt: skip
    return build([run(made, job={"name": "a path"})], job)


def test_the_figures_leave_a_listed_obstacle_out_and_its_row_tells_it() -> None:
    """By hand: 1 mm everywhere else; 180 of 200 stations count; 61 mm at most over the frame."""
    told = facts(built(GULLY))
    for side in ("left", "right"):
        end = told["ends"][side]
        assert (end["rms_mm"], end["worst_mm"]) == pytest.approx((1.0, 1.0), abs=0.01)
        assert end["within_pct"] == 100.0
        assert end["stations"] == pytest.approx(180, abs=2)
    assert told["crossfall"]["stations"] == told["ends"]["left"]["stations"]
    (row,) = told["obstacles"]
    assert row["words"] == "gully frame"
    assert (row["from_m"], row["to_m"]) == pytest.approx((7.0, 9.0), abs=0.11)
    assert row["left_most_mm"] == pytest.approx(61.0, abs=0.1)
    assert told["ends"]["left"]["high"][0]["obstacle"] == "gully frame"  # the list still has it
    assert told["straightedge"]["ends"]["left"]["most_mm"] == pytest.approx(0.0, abs=0.01)


def test_lifted_where_nothing_is_listed_stays_in_the_figures() -> None:
    elsewhere = dict(GULLY, from_m=15.0, to_m=15.5)
    told = facts(built(elsewhere))
    assert told["ends"]["left"]["rms_mm"] > 15.0
    assert [one["from_m"] for one in told["obstacles"]] == pytest.approx([15.0])
    assert facts(built())["obstacles"] == []


def test_of_high_ground_round_an_obstacle_only_what_the_log_calls_lifted_is_left_out() -> None:
    """Raised for a cut's limit, the edge is too high, and no obstacle excuses it."""
    whole = built(GULLY, lifted=(7.3, 8.2))
    (place,) = places(whole)
    assert (place.start, place.end) == pytest.approx((7.3, 8.2), abs=0.11)
    assert facts(whole)["ends"]["left"]["worst_mm"] == pytest.approx(61.0, abs=0.1)


def test_a_gap_of_the_reference_lifts_nothing_and_counts() -> None:
    whole = built(dict(GULLY, kind="gap"), lifted=(0.0, 0.0))
    assert clear(whole).all()


def test_two_obstacles_in_one_lift_are_one_place() -> None:
    (place,) = places(built(GULLY, dict(GULLY, from_m=8.3, to_m=8.6, kind="pole", words="")))
    assert [one.kind for one in place.listed] == ["cover", "pole"]


def test_page_and_table_say_what_was_left_out() -> None:
    whole = built(GULLY)
    page = render(whole, facts(whole))
    assert "Listed obstacles left out: 7.0 to 9.0 m (gully frame)." in page
    assert '<h2 id="obstacles">' in page
    assert "Listed obstacles" not in render(built(), facts(built()))
    rows = stations_csv(whole).splitlines()
    assert rows[0].endswith(",listed_obstacle")
    assert sum(row.endswith(",gully frame") for row in rows) == np.count_nonzero(~clear(whole))


def test_a_log_of_a_job_tells_where_the_blade_was_lifted(tmp_path: Any) -> None:
    """From the recorded words of the cut to the words of the command."""

    def lift(record: Record) -> Record:
        at = record.tick.distance_m or 0.0
        words = "lifted 60" if 5.0 < at < 7.0 else "cutting 20"
        return msgspec.structs.replace(record, tick=msgspec.structs.replace(record.tick, cut=words))

    log = rewrite(tmp_path / "up.mcap", map(lift, records(make_log(tmp_path / "run.mcap"))))
    c = read_run(log).columns
    assert (c.lifted == ((c.distance > 5.0) & (c.distance < 7.0))).all()
    job = tmp_path / "job.toml"
    job.write_text(
        'name = "p"\nlayer = "l"\nstring_side = "left"\n'
        "stations = [{chainage_m = 0, crossfall_pct = 2}, {chainage_m = 20, crossfall_pct = 2}]\n"
        '[[obstacles]]\nkind = "cover"\nfrom_m = 5.5\nto_m = 6\n', encoding="utf-8",
    )  # fmt: skip
    done = CliRunner().invoke(
        cli, ["report", str(log), "-o", str(tmp_path / "out"), "--job", str(job)]
    )
    assert "Listed obstacles left out: 5.0 to 7.0 m (cover)" in done.stdout, done.output
