"""A short job in two cuts, from the start to the score: run once, looked at from all sides."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from drivers.simulated.truth import Truth
from firmware_py.commands import cli
from firmware_py.commands.verify import build
from firmware_py.journal.read import Recorded, read_log
from firmware_py.messages import Side
from firmware_py.replay import replay
from firmware_py.settings import MM, Rig
from firmware_py.settings_file import parse
from firmware_py.trial.result import Result
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import Scenario
from firmware_py.trial.setup import TrialError, job_for, rig_for, rig_named
from firmware_py.trial.surface import OFF_M, spots
from firmware_py.trial.words import in_words

JOB = """\
name = "two-cuts"
layer = "base"
string_side = "left"
stations = [
    {chainage_m = 0, crossfall_pct = 2}, {chainage_m = 10.5, crossfall_pct = 2},
    {chainage_m = 11.5, crossfall_pct = 2.5}, {chainage_m = 15, crossfall_pct = 2.5},
]
pins = [{chainage_m = 4, name = "P1"}]
obstacles = [{kind = "cover", from_m = 8.6, to_m = 8.8, lift_mm = 40}]
[cut]
each_mm = 25
"""
TRIAL = """\
name = "two-cuts"
words = "A test in two cuts."
speed_mps = 0.6
distance_m = 9
path = [{length_m = 14}]
ground = "B"
ground_mean_mm = 45
start_above_mm = 45
passes = 2
soil = true
[left]
kind = "string"
height_mm = 300
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("passes")
    (made / "job.toml").write_text(JOB, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def truths() -> list[Truth]:
    return []


@pytest.fixture(scope="module")
def result(folder: Path, truths: list[Truth]) -> Result:
    def watch(sim: object) -> Truth:
        truths.append(sim.truth())  # type: ignore[attr-defined]
        return truths[-1]

    plain = rig_named("reference").model_dump(mode="json")
    plain["control"]["tick_hz"] = 50  # half the work, and the same ground
    return run_trial(
        parse(TRIAL, "t", Scenario), Rig.model_validate(plain), job=str(folder / "job.toml"),
        truth=watch,
        journal=folder / "journal.mcap",
    )  # fmt: skip


def test_both_passes_are_driven_and_the_last_one_is_scored(result: Result) -> None:
    s = result.summary
    assert (s["job"], s["layer"], s["outcome"], s["troubles"]) == ("two-cuts", "base", "graded", [])
    assert s["distance_m"] == pytest.approx(4.0, abs=0.1)  # 9 m less the run-in of 5
    assert [round(one["distance_m"]) for one in s["passes"]] == [9, 9]
    assert s["refused"] == []
    assert "2; over the target after each" in in_words(result)


def test_each_pass_takes_no_more_than_its_limit(result: Result) -> None:
    """45 mm of ground, 25 a pass: the first edge runs 20 mm up, the second on the target."""
    first, second = result.summary["passes"]
    assert first["kept_up_mm"] == pytest.approx(20.0, abs=4.0)  # the cover's lift is in it
    assert first["left_over_mm"] > 18.0
    assert second["left_over_mm"] < first["left_over_mm"] - 10.0
    last = result.series.weight > 0.0
    clear = last & (result.series.raised < MM)
    assert np.abs(result.series.graded[Side.LEFT][clear]).mean() < 6.0 * MM


def test_the_soil_is_all_accounted_for(result: Result) -> None:
    soil = result.summary["soil"]
    kept = soil["filled_m3"] + soil["carried_m3"] + soil["spilt_m3"]
    assert soil["cut_m3"] == pytest.approx(kept, abs=2e-4)  # four digits
    # an independent sum: width x way x the mean depth that truth says is gone
    over = 1.8 * 9.0 * 0.045
    assert 0.5 * over < soil["cut_m3"] < 1.6 * over


def test_edge_and_surface_are_told_apart(result: Result) -> None:
    end = result.summary["ends"]["left"]
    high = end["high_spots"]
    assert high  # the soil that the box let go of over the cover
    assert all(one["to_m"] - one["from_m"] >= 0.25 for one in high)
    assert all(one["most_mm"] >= OFF_M / MM for one in high)
    assert end["height_rms_mm"] < end["graded_rms_mm"]
    assert "not cut, " in in_words(result)


def test_a_low_spot_is_found_by_its_chainage(result: Result) -> None:
    """Made by hand in the columns: 14 mm low over 0.6 m, and 0.1 m, which is a footprint."""
    series = result.series
    height = np.zeros(series.chainage.size)
    height[(series.chainage > 9.0) & (series.chainage < 9.6)] = -0.014
    height[(series.chainage > 10.5) & (series.chainage < 10.6)] = -0.014
    made = dict(vars(series)) | {"graded": {Side.LEFT: height, Side.RIGHT: height}}
    (spot,) = spots(type(series)(**made), Side.LEFT, low=True)
    assert spot["from_m"] == pytest.approx(9.0, abs=0.02)
    assert spot["to_m"] == pytest.approx(9.6, abs=0.02)
    assert spot["most_mm"] == pytest.approx(14.0)


def test_the_score_asks_for_what_the_job_file_says_at_the_true_place(result: Result) -> None:
    """Half-way through its transition, at 11 m, 2.25 %; the design has 2 %."""
    series = result.series
    row = np.flatnonzero(series.weight > 0.0)
    at = row[np.argmin(np.abs(series.chainage[row] - 11.0))]
    assert series.crossfall_target[at] == pytest.approx(0.0225, abs=5e-5)


def test_a_replay_of_the_job_is_identical(result: Result, folder: Path) -> None:
    outcome = replay(folder / "journal.mcap", build)
    assert outcome.words().startswith("identical"), outcome.words()
    log = read_log(folder / "journal.mcap")
    assert log.header.job["name"] == "two-cuts"
    assert log.header.start_m == 3.0
    ticks = [entry.tick for entry in log if isinstance(entry, Recorded)]
    assert any(tick.cut == "cutting 25, 20 left" for tick in ticks)
    assert any("cover now" in tick.notice for tick in ticks)
    believed = np.array([tick.chainage_m or np.nan for tick in ticks])
    assert (
        np.nanmax(np.abs(believed - result.series.chainage)) < 0.3
    )  # marked 0.2 s late at 0.6 m/s, and that is all


def test_the_blade_was_over_the_cover_in_each_pass(result: Result, truths: list[Truth]) -> None:
    over = [t for t in truths if 8.6 <= t.chainage_m <= 8.8 and t.speed_mps > 0.1]
    assert over
    assert min(t.left_error_m for t in over) > 0.034


def test_a_job_that_does_not_fit_the_trial_is_one_sentence(folder: Path) -> None:
    wrong = folder / "wrong.toml"
    wrong.write_text(JOB.replace('"left"', '"right"'), encoding="utf-8")
    trial = parse(TRIAL, "t", Scenario)
    with pytest.raises(TrialError, match="the job's string stands on the right looking up"):
        job_for(trial, rig_for(trial, rig_named("reference")), str(wrong))
    with pytest.raises(TrialError, match="follows no job"):
        run_trial(trial, job=str(folder / "job.toml"), controller="plain")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["run", "--at", "3"], "--at: there is no job; --job with a job file is right"),
        (["run", "--job", "none.toml"], "no such job file; linehold setout writes one"),
        (["run", "--job", "WRONG"], "--job: the job's string stands on the right looking up"),
        (["trial", "kerb-lip", "--job", "none.toml"], "no such job file"),
        (["trial", "kerb-lip", "--job", "WRONG"], "the job's string stands on the right"),
    ],
)
def test_a_job_that_cannot_be_followed_is_one_sentence(
    folder: Path, arguments: list[str], told: str
) -> None:
    wrong = folder / "wrong-side.toml"
    wrong.write_text(JOB.replace('"left"', '"right"'), encoding="utf-8")
    asked = [str(wrong) if word == "WRONG" else word for word in arguments]
    done = CliRunner().invoke(cli, asked, prog_name="linehold")
    assert done.exit_code == 2, done.output
    assert told in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
