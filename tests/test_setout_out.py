"""What setting out writes: the job file that run takes, the schedules, the sheet, the commands."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.commands import cli
from firmware_py.job import Job, load_job
from firmware_py.setout import job_out
from firmware_py.setout.csv_out import pins_csv, stations_csv
from firmware_py.setout.plan import Plan, make_plan
from firmware_py.setout.reading import read_design
from firmware_py.setout.sheet import sheet_html
from firmware_py.settings_file import find_rig, load_rig, parse

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "alder-lane.toml"
STRING = '[string]\nside = "right"\nabove_mm = 250\n'


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(read_design(EXAMPLE), load_rig(find_rig("reference")))


@pytest.fixture(scope="module")
def job(plan: Plan) -> Job:
    return parse(job_out.job_toml(plan), "run.toml", Job)


def made(folder: Path, text: str) -> Plan:
    path = folder / "job.toml"
    path.write_text(text, encoding="utf-8")
    return make_plan(read_design(path), load_rig(find_rig("reference")))


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def on_paper(x: float) -> float:
    """Alder Lane's formation at its left edge, from the grades, by hand."""
    finished = 41.0 + 0.015 * x if x <= 30 else 41.45 - 0.012 * (x - 30)
    if 15 < x < 45:
        finished = 41.0 + 0.015 * x - 0.027 / 30 * (x - 15) ** 2 / 2
    return finished - 0.240


def test_the_job_read_back_is_the_design_on_paper(job: Job, plan: Plan) -> None:
    assert (job.name, job.layer, job.string_side) == ("alder-lane", "formation", "left")
    assert (job.string_above_mm, job.width_m, job.cut.each_mm) == (300, 1.8, 30)
    at = np.array([row.chainage_m for row in job.stations])
    level = np.array([row.level_m for row in job.stations], dtype=float)
    offset = np.array([row.offset_mm for row in job.stations])
    cross = np.array([row.crossfall_pct for row in job.stations])
    pins = np.array([pin.chainage_m for pin in job.pins])
    x = np.linspace(0, 72, 2881)
    true = np.array([on_paper(one) for one in x.tolist()])
    assert np.interp(x, at, level) == pytest.approx(true, abs=0.25e-3)
    # the string hangs w x (L - x) / 2T under the chords between the layer's own points at the pins
    chord = np.interp(x, pins, [on_paper(one) for one in pins.tolist()])
    k = np.clip(np.searchsorted(pins, x, side="right") - 1, 0, pins.size - 2)
    sag = 0.003 * 9.80665 / 150 / 2 * (x - pins[k]) * (pins[k + 1] - x)
    assert np.interp(x, at, offset) == pytest.approx(1e3 * (true - chord + sag), abs=0.15)
    expected = np.interp(x, [0, 50, 56, 72], [2, 2, 1, 1])
    assert np.interp(x, at, cross) == pytest.approx(expected, abs=0.012)
    assert np.abs(1e3 * (true - chord + sag)).max() <= 3.0
    [cover] = job.obstacles
    assert (cover.kind, cover.from_m, cover.to_m, cover.lift_mm) == ("cover", 62.0, 63.2, 120)
    assert job.gate is not None
    assert (job.gate.near_mm, job.gate.far_mm) == (40, 60)


def test_over_a_crest_the_layer_is_above_the_string_and_at_pins_it_is_not(job: Job) -> None:
    pins = {pin.chainage_m for pin in job.pins}
    assert all(abs(row.offset_mm) < 0.005 for row in job.stations if row.chainage_m in pins)
    assert max(row.offset_mm for row in job.stations if 15 < row.chainage_m < 45) > 2.0
    assert all(row.offset_mm >= 0 for row in job.stations)


def test_in_a_hollow_with_the_string_on_the_right_the_layer_is_below(tmp_path: Path) -> None:
    text = f"""name = "hollow"\nwidth_m = 2.0\ncrossfall_pct = -1.5
[profile]\nlevel_at = "middle"
points = [{{chainage_m = 0, level_m = 20}}, {{chainage_m = 40, grade_pct = -3, curve_m = 40}},
{{chainage_m = 80, grade_pct = 3}}]
{STRING}tolerance_mm = 5\n"""
    plan = made(tmp_path, text)
    job = parse(job_out.job_toml(plan), "run.toml", Job)
    assert min(row.offset_mm for row in job.stations) < -3.0
    # crossfall -1.5 % falls to the left: the right edge stands 15 mm above the middle
    assert job.stations[0].level_m == pytest.approx(20.015)
    assert job.string_side == "right"
    told = " ".join(plan.warnings)
    assert "No existing levels" in told
    assert "no bar that leads it" in told  # the reference rig's bar hangs on the left
    assert plan.volumes is None


def test_a_loose_layer_is_graded_proud_of_where_it_ends(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8").replace('"formation"', '"base"', 1)
    plan = made(tmp_path, text)
    job = parse(job_out.job_toml(plan), "run.toml", Job)
    # by hand: 41 - 0.090 + (150 / 0.85 - 150) mm
    assert job.stations[0].level_m == pytest.approx(41 - 0.090 + 0.02647, abs=1e-4)
    assert job.layer == "base"
    assert "Layer: base" in sheet_html(plan)
    assert "graded 26 mm higher, for compaction" in sheet_html(plan)


def test_a_rig_that_cannot_follow_the_job_is_told_at_once(plan: Plan) -> None:
    surface = load_rig(find_rig("reference"))
    turned = surface.model_copy(
        update={"control": surface.control.model_copy(update={"against_chainage": True})}
    )
    assert not [words for words in plan.warnings if "cannot follow" in words]
    [words] = [one for one in make_plan(plan.read, turned).warnings if "cannot follow" in one]
    assert "no bar that leads it" in words


def test_the_pin_schedule_adds_up(plan: Plan) -> None:
    rows = table(pins_csv(plan))
    assert [row["pin"] for row in rows] == [f"P{k}" for k in range(1, len(rows) + 1)]
    for row in rows:
        layer, ground = float(row["layer_level_m"]), float(row["ground_level_m"])
        assert row["layer"] == "formation"
        assert layer == pytest.approx(on_paper(float(row["chainage_m"])), abs=1e-4)
        assert float(row["finished_level_m"]) - layer == pytest.approx(0.240)
        assert float(row["string_level_m"]) - layer == pytest.approx(0.300)
        height = 1e3 * (float(row["string_level_m"]) - ground)
        assert float(row["string_above_ground_mm"]) == pytest.approx(height, abs=0.6)
        assert float(row["cut_mm"]) == pytest.approx(1e3 * (ground - layer), abs=0.6)
        assert 0 <= float(row["pin_length_mm"]) - (300 + height + 50) <= 10.1
    assert rows[-1]["span_error_mm"] == ""


def test_the_stations_add_up(plan: Plan) -> None:
    rows = table(stations_csv(plan))
    for row in rows:
        fall = 1e3 * (float(row["layer_left_m"]) - float(row["layer_right_m"]))
        assert fall == pytest.approx(18.0 * float(row["crossfall_pct"]), abs=0.11)
        both = float(row["bow_mm"]) + float(row["sag_mm"])
        assert float(row["offset_mm"]) == pytest.approx(both, abs=0.011)
        mean = 0.5e-3 * (float(row["cut_left_mm"]) + float(row["cut_right_mm"]))
        assert float(row["cut_area_m2"]) == pytest.approx(1.8 * mean, abs=1e-3)
    assert {"50.000", "56.000", "72.000"} <= {row["chainage_m"] for row in rows}
    areas = [float(row["cut_area_m2"]) for row in rows]
    at = [float(row["chainage_m"]) for row in rows]
    assert plan.volumes is not None
    assert plan.volumes.cut == pytest.approx(np.trapezoid(areas, at), abs=0.005)
    # the ground stands some 80 mm high over 72 x 1.8 m
    assert plan.volumes.cut == pytest.approx(0.080 * 72 * 1.8, rel=0.07)


def test_names_with_every_sign_survive_the_job_file(plan: Plan, tmp_path: Path) -> None:
    odd = 'a "b" \\ & <é>'
    named = plan.read.design.model_copy(update={"name": odd})
    text = job_out.job_toml(replace(plan, read=replace(plan.read, design=named)))
    assert parse(text, "run.toml", Job).name == odd


class Links(HTMLParser):
    """Every attribute that could make a browser ask for something."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        risky = {"src", "href", "srcset", "data", "action", "poster", "xlink:href", "background"}
        self.found += [(tag, key, value) for key, value in attrs if key in risky or
                       (value and ("//" in value or "url(" in value))]  # fmt: skip
        assert tag not in ("script", "iframe", "object", "embed", "link", "base", "img")

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_sheet_asks_for_nothing_and_is_the_same_twice(plan: Plan) -> None:
    page = sheet_html(plan)
    links = Links()
    links.feed(page)
    assert links.found == []
    assert not re.search(r"https?:|url\(|@import", page)
    assert page == sheet_html(make_plan(plan.read, plan.rig))
    text = " ".join(links.text)
    for words in ("Layer: formation", "P16", "chamber cover", "three sigma", "check local rules",
                  "ADA 2010, 403.3", "41.350 m at 31.67 m"):  # fmt: skip
        assert words in text


def test_what_a_person_wrote_is_not_taken_for_markup(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8").replace(
        '"chamber cover"', '"<script>alert(1)</script>"'
    )
    page = sheet_html(made(tmp_path, text))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def run(*argv: str) -> Any:
    return CliRunner().invoke(cli, argv)


def test_the_command_writes_four_files_and_tells_them(tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("setout", str(EXAMPLE), "-o", str(out), "--json")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["layer"], found["pins"], found["gate_near_mm"]) == ("formation", 16, 40)
    assert [Path(one).name for one in found["files"]] == [
        "run.toml", "sheet.html", "pins.csv", "stations.csv"
    ]  # fmt: skip
    assert len(load_job(out / "run.toml").pins) == 16
    words = run("setout", str(EXAMPLE), "-o", str(out)).stdout
    assert "Layer worked on: formation, 240 mm below" in words
    assert "Look: 0 to 51 m: crossfall 2.00 %" in words


def test_bad_input_writes_nothing_and_ends_with_2(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('name = "n"\n', encoding="utf-8")
    result = run("setout", str(bad), "-o", str(tmp_path / "out"))
    assert result.exit_code == 2
    assert [line.partition(": ")[2] for line in result.stderr.splitlines()] == [
        "profile: missing; a table is right", "string: missing; a table is right"
    ]  # fmt: skip
    assert not (tmp_path / "out").exists()
    (tmp_path / "file").touch()
    assert run("setout", str(EXAMPLE), "-o", str(tmp_path / "file")).exit_code == 2


@pytest.mark.parametrize(
    ("argv", "key", "value"),
    [
        # by hand: 0.003 kg/m x 9.80665 x 36 / (8 x 150); 0.027 / 30 x 36 / 8;
        # 40 - sqrt(1600 - 2.25)
        (["sag", "--span-m", "6"], "sag_mm", 0.8826),
        (["sag", "--span-m", "6"], "tension_for_1_mm_n", 132.39),
        (["chord", "--span-m", "6", "--grade-in-pct", "1.5", "--grade-out-pct", "-1.2",
          "--curve-m", "30"], "bow_mm", 4.05),
        (["chord", "--span-m", "3", "--radius-m", "40"], "middle_ordinate_mm", 28.135),
        # sqrt(8 x 0.002 / (0.0009 + 0.003 x 9.80665 / 150)), and 2 sqrt(2 x 25 x 0.02 - 0.0004)
        (["spacing", "--tolerance-mm", "2", "--grade-in-pct", "1.5", "--grade-out-pct", "-1.2",
          "--curve-m", "30"], "spacing_m", 3.8204),
        (["spacing", "--radius-m", "25"], "by_plan_m", 1.9996),
    ],
)  # fmt: skip
def test_the_sums_at_the_tailgate(argv: list[str], key: str, value: float) -> None:
    result = run(*argv, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)[key] == pytest.approx(value, rel=1e-4)
    assert run(*argv).stdout.strip()


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["sag"], "--span-m is missing"),
        (["sag", "--span-m", "0"], '"0" is out of range'),
        (["chord", "--span-m", "6"], "one of them"),
        (["chord", "--span-m", "6", "--radius-m", "40", "--grade-in-pct", "1", "--grade-out-pct",
          "2", "--curve-m", "3"], "one of them"),
        (["chord", "--span-m", "6", "--grade-in-pct", "1"], "all three are right"),
        (["chord", "--span-m", "9", "--radius-m", "4"], "than the bend is across, 8"),
        (["passes", "--tolerance-mm", "nan"], "out of range"),
        (["passes", "--rig", "none"], "no such rig"),
    ],
)  # fmt: skip
def test_wrong_sums_are_told_in_one_sentence(argv: list[str], words: str) -> None:
    result = run(*argv)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
