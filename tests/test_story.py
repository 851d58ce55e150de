"""One job from end to end, by the commands of docs/story.md: setout, trial, report."""

from __future__ import annotations

import csv
import json
import shlex
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.commands import cli
from firmware_py.job import Job, load_job
from firmware_py.journal.read import Recorded, read_log
from firmware_py.messages import Mode, Tick

ROOT = Path(__file__).resolve().parent.parent


def commands() -> list[list[str]]:
    """The documented commands, but for the live one."""
    text = (ROOT / "docs" / "story.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines() if line.startswith("    linehold ")]
    found = [shlex.split(line)[1:] for line in lines]
    assert [words[0] for words in found] == ["setout", "trial", "run", "report"]
    return [words for words in found if words[0] != "run"]


@pytest.fixture(scope="module")
def printed() -> dict[str, str]:
    """What each command printed."""
    return {}


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory, printed: dict[str, str]) -> Path:
    """The folder in which all of it was run."""
    folder = tmp_path_factory.mktemp("story")
    shutil.copytree(ROOT / "examples", folder / "examples")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for words in commands():
            done = CliRunner().invoke(cli, words)
            assert done.exit_code == 0, (words, done.output)
            printed[words[0]] = done.stdout
    return folder / "alder-gate"


@pytest.fixture(scope="module")
def job(day: Path) -> Job:
    return load_job(day / "run.toml")


@pytest.fixture(scope="module")
def result(day: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((day / "day" / "result.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def ticks(day: Path) -> list[Tick]:
    log = read_log(day / "day" / "journal.mcap")
    return [entry.tick for entry in log if isinstance(entry, Recorded)]


def test_setting_out_gives_a_job_with_all_that_the_run_follows(job: Job) -> None:
    assert (job.name, job.layer, job.cut.each_mm) == ("alder-gate", "formation", 25)
    assert [pin.chainage_m for pin in job.pins] == [0, 6, 12, 18, 24]
    assert [one.kind for one in job.obstacles] == ["cover"]
    falls = {s.chainage_m: s.crossfall_pct for s in job.stations}
    assert (falls[14], falls[17]) == (2.5, 2.0)
    # by hand at 0 m: ground 52.135 over the formation 52.300 - 0.210, and on the right 45 mm too
    assert job.stations[0].ground_mm == pytest.approx(45.0)


def test_the_trial_followed_it_in_two_cuts(result: dict[str, Any]) -> None:
    assert (result["job"], result["layer"], result["outcome"]) == (
        "alder-gate", "formation", "graded",
    )  # fmt: skip
    assert result["refused"] == []
    first, second = (one["left_over_mm"] for one in result["passes"])
    assert first == pytest.approx(20.0, abs=8.0)  # 45 mm less 25, and the lift over the frame
    assert second < first - 12.0
    for end in result["ends"].values():
        assert end["height_rms_mm"] < 6.0
        assert end["low_spots"] == []
        (spot,) = [one for one in end["high_spots"] if one["from_m"] < 11.0 < one["to_m"]]
        assert spot["most_mm"] > 30.0


def test_the_driver_was_told_of_the_cut_the_frame_and_the_transition(ticks: list[Tick]) -> None:
    told = {tick.notice for tick in ticks} | {tick.cut for tick in ticks}
    assert "cutting 25, 20 left" in told
    assert any(words.startswith("cover in 4.") for words in told)
    assert any("transition in 4." in words for words in told)
    over = [t.raised_m for t in ticks
            if t.mode is Mode.AUTO and t.chainage_m and 11.0 <= t.chainage_m <= 11.4]  # fmt: skip
    assert min(over) > 0.035


def test_the_report_finds_what_the_scorer_found(day: Path, result: dict[str, Any]) -> None:
    """By its own record: as good as its uncertainty outside of the frame's zone, high within."""
    page = (day / "report" / "report.html").read_text(encoding="utf-8")
    assert "formation" in page
    assert "not an independent survey" in page
    with (day / "report" / "stations.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    at = np.array([float(row["chainage_m"]) for row in rows])
    error = np.array([float(row["left_error_mm"] or "nan") for row in rows])
    clear = ((at > 8.0) & (at < 10.0)) | ((at > 14.0) & (at < 21.0))
    assert np.sqrt(np.nanmean(error[clear] ** 2)) < 4.0
    assert np.nanmax(error[(at > 10.3) & (at < 13.0)]) > 30.0
    assert result["ends"]["left"]["height_rms_mm"] < 6.0


def test_the_page_says_what_the_commands_print(result: dict[str, Any]) -> None:
    text = " ".join((ROOT / "docs" / "story.md").read_text(encoding="utf-8").split())
    left, right = (result["ends"][side] for side in ("left", "right"))
    rms = [one["height_rms_mm"] for one in (left, right)]
    assert f"{rms[0]:.1f} mm left, {rms[1]:.1f} mm right" in text
    for one in left["high_spots"]:
        spot = f"{one['from_m']:.1f} to {one['to_m']:.1f} m, {one['most_mm']:.0f} mm at most"
        assert f"not cut, {spot}" in text
    assert result["job"] == "alder-gate"


def test_the_page_says_what_the_report_prints(day: Path, printed: dict[str, str]) -> None:
    lines = printed["report"].splitlines()
    text = " ".join((ROOT / "docs" / "story.md").read_text(encoding="utf-8").split())
    (frame,) = [line.strip() for line in lines if "Listed obstacles left out" in line]
    assert frame in text
    left, right = (line.split(":")[1].split("mm rms")[0].strip()
                   for line in lines if " end: " in line)  # fmt: skip
    assert f"{left} mm rms left and {right} mm right" in text
