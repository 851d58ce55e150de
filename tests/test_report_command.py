"""`linehold report` from logs to files: the page, the table, and what no report can be made of."""

from __future__ import annotations

import base64
import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pytest
from asgraded_made import columns, way
from asgraded_made import run as made_by_hand
from click.testing import CliRunner, Result
from report_made import make_log, records, rewrite

from firmware_py.asgraded.reading import ReportError
from firmware_py.commands import cli
from firmware_py.commands.report import _job
from firmware_py.commission.estimate import Estimate
from firmware_py.commission.store import Now, make, save
from firmware_py.messages import Record

Made = tuple[dict[str, Any], Path]
JOB = """
name = "Footpath, Alder Lane <north>"
layer = "subgrade"
string_side = "left"
tolerance_mm = 4
stations = [
  {chainage_m = 0, crossfall_pct = 2, level_m = 12.0},
  {chainage_m = 20, crossfall_pct = 2, level_m = 12.0},
]
pins = [{chainage_m = 0}, {chainage_m = 5}]
"""


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_log(tmp_path_factory.mktemp("log") / "run.mcap")


@pytest.fixture(scope="module")
def made(log: Path, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """The facts of that log's report, and the folder of its files."""
    out = tmp_path_factory.mktemp("made")
    return told(log, "-o", out), out


def report(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["report", *map(str, arguments)])


def told(*arguments: object) -> dict[str, Any]:
    result = report(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def bad(result: Result, *words: str) -> None:
    """One sentence on standard error, exit code 2, no traceback."""
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    assert len(result.stderr.splitlines()) == 1, result.stderr
    for word in words:
        assert word in result.stderr, result.stderr


def test_page_and_table_of_a_run(made: Made) -> None:
    found, out = made
    page = (out / "report.html").read_text(encoding="utf-8")
    for words in (
        "the machine&#39;s own record", "not an independent survey", "EN 13036-7",
        "nobody has certified", "Keep everybody away from the blade", "Loop health",
        "control.dead_band_mm", "to be expected", "No stored calibrations",
    ):  # fmt: skip
        assert words in page, words
    with (out / "stations.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == found["ends"]["left"]["stations"] > 75
    at = [float(row["chainage_m"]) for row in rows]
    assert at == sorted(at)
    assert all(float(row["left_k2_mm"]) > 0.5 for row in rows)
    rms = (sum(float(row["left_error_mm"]) ** 2 for row in rows) / len(rows)) ** 0.5
    assert found["ends"]["left"]["rms_mm"] == pytest.approx(rms, abs=0.02)
    assert found["simulated"]
    assert found["logs"][0]["lost"] == []


def test_the_same_log_gives_the_same_bytes(log: Path, made: Made, tmp_path: Path) -> None:
    assert report(log, "-o", tmp_path).exit_code == 0
    for file in ("report.html", "stations.csv"):
        assert (tmp_path / file).read_bytes() == (made[1] / file).read_bytes()


class Addresses(HTMLParser):
    """Whatever a browser would fetch for a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.found += [value or "" for name, value in attrs if name in ("src", "href", "srcset")]


def test_the_page_holds_all_that_it_shows(made: Made) -> None:
    page = (made[1] / "report.html").read_text(encoding="utf-8")
    parsed = Addresses()
    parsed.feed(page)
    assert parsed.found
    assert all(address.startswith("data:") for address in parsed.found)
    assert not parsed.tags & {"script", "iframe", "object", "embed", "video", "audio"}
    assert "default-src 'none'" in page
    assert "@import" not in page
    assert "url(" not in page
    pictures = re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", page)
    assert len(pictures) == 4
    for picture in pictures:
        svg = base64.b64decode(picture).decode()
        assert "<svg" in svg
        assert "<date>" not in svg.replace("dc:", "")
        assert not re.search(r'(href|src)="(?!#)', svg)  # refers to itself alone


def test_a_job_its_names_and_check_levels(log: Path, tmp_path: Path) -> None:
    job, levels = tmp_path / "job.toml", tmp_path / "checks.csv"
    job.write_text(JOB, encoding="utf-8")
    levels.write_text(
        "chainage_m,side,level_m\n" + "".join(f"{n},left,11.999\n" for n in range(1, 7)),
        encoding="utf-8",
    )
    found = told(log, "-o", tmp_path / "out", "--job", job, "--levels", levels)
    assert (found["layer"], found["tolerance_mm"], found["tolerance_source"]) == (
        "subgrade", 4.0, "the job",
    )  # fmt: skip
    left = next(one for one in found["check_levels"]["figures"] if one["side"] == "left")
    assert left["n"] == 6
    assert abs(left["bias_mm"] - 1.0) < 2.0  # the edge within 2 mm of its level, the check 1 below
    assert left["bias_k2_mm"] > 0.0
    span = next(one for one in found["uncertainty"] if one["name"].startswith("sag"))
    assert span["source"] == "the job's pins"
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Footpath, Alder Lane &lt;north&gt;: subgrade" in page  # nothing is taken for markup
    assert "<north>" not in page


def test_stored_calibrations_are_shown_and_narrow_the_intervals(
    log: Path, made: Made, tmp_path: Path
) -> None:
    now = Now(3, 12.5, "imu-1")
    shelf = tmp_path / "rig"
    shelf.mkdir()
    zero = {
        "roll zero": Estimate(0.001, "rad", 1e-4), "mounting yaw": Estimate(0.01, "rad", 2e-3),
        "roll spread": Estimate(0.0005, "rad", 0.0),  # no zero, and no certainty either
    }  # fmt: skip
    save(shelf / "tilt.json", make("tilt", now, 20.0, zero))
    (shelf / "counts.json").write_text("{}")
    found = told(log, "-o", tmp_path / "two", "--calibrations", shelf)
    key = "half_width_mm"
    assert found["ends"]["right"][key] < made[0]["ends"]["right"][key]
    sources = {one["name"]: one["source"] for one in found["uncertainty"]}
    assert sources["tilt zero"] == sources["mounting yaw of the sensor"] == "stored (tilt)"
    zero_pct = next(o["crossfall_pct"] for o in found["uncertainty"] if o["name"] == "tilt zero")
    assert zero_pct == pytest.approx(0.01)  # 1e-4 rad
    assert "0.001 ± 0.0002 rad" in (tmp_path / "two" / "report.html").read_text(encoding="utf-8")
    bad(report(log, "-o", tmp_path / "three", "--calibrations", tmp_path / "no"), "is no folder")


def test_a_cut_log_is_reported_as_far_as_it_is_whole(log: Path, tmp_path: Path) -> None:
    data = log.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: int(0.7 * len(data))])
    found = told(cut, "-o", tmp_path / "out")
    assert any("not closed" in words for words in found["logs"][0]["lost"])
    assert 20 < found["ends"]["left"]["stations"] < 75
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "cut.mcap is not whole." in page
    assert "what came after its last whole chunk is lost" in page


def test_a_flipped_bit_costs_its_second_and_is_told(log: Path, tmp_path: Path) -> None:
    data = bytearray(log.read_bytes())
    data[int(0.6 * len(data))] ^= 0x10
    path = tmp_path / "flipped.mcap"
    path.write_bytes(data)
    found = told(path, "-o", tmp_path / "out")
    assert found["logs"][0]["lost"]
    assert found["unknown"]  # the second's way is not passed over in silence
    assert found["ends"]["left"]["stations"] > 60


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty: no log was stored in it"),
        (b"chainage,level\n1,2\n" * 40, "is not a Linehold log: not an MCAP file"),
        (b"\x89MCAP0\r\n", "holds no whole header"),
    ],
)
def test_a_file_that_is_no_log(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "odd.mcap"
    path.write_bytes(content)
    bad(report(path, "-o", tmp_path / "out"), "odd.mcap", words)
    assert not (tmp_path / "out").exists()
    bad(report(tmp_path / "none.mcap", "-o", tmp_path / "out"), "none.mcap cannot be opened")


def test_a_log_of_another_schema(log: Path, tmp_path: Path) -> None:
    path = rewrite(tmp_path / "old.mcap", iter(()), schema=1, versions={"linehold": "0.0.9"})
    bad(report(path, "-o", tmp_path / "out"), "has schema 1", "use linehold 0.0.9")


def test_a_log_without_a_tick_or_with_foreign_settings(log: Path, tmp_path: Path) -> None:
    empty = rewrite(tmp_path / "empty.mcap", iter(()))
    bad(report(empty, "-o", tmp_path / "out"), "holds no tick")
    foreign = rewrite(tmp_path / "foreign.mcap", records(log), settings={"name": "x"})
    bad(report(foreign, "-o", tmp_path / "out"), "the settings in the log lack control.tick_hz")


def changed(record: Record, **more: object) -> Record:
    return Record(record.time_s, record.samples, record.requests,
                  msgspec.structs.replace(record.tick, **more))  # fmt: skip


def test_a_log_in_which_no_datum_was_ever_set(log: Path, tmp_path: Path) -> None:
    def blind(record: Record) -> Record:
        ends = {
            side: msgspec.structs.replace(getattr(record.tick, side), error_m=None, error_sd_m=None)
            for side in ("left", "right")
        }
        return changed(record, **ends)

    path = rewrite(tmp_path / "blind.mcap", map(blind, records(log)))
    bad(report(path, "-o", tmp_path / "out"), "blind.mcap: no datum was ever in force")


def test_without_a_distance_sensor_it_is_by_time_and_says_what_it_left_out(
    log: Path, tmp_path: Path
) -> None:
    timed = (changed(record, distance_m=None) for record in records(log))
    path = rewrite(tmp_path / "timed.mcap", timed)
    found = told(path, "-o", tmp_path / "out")
    assert found["by"] == "time"
    assert "no distance sensor" in found["straightedge"]["left_out"]
    assert found["ends"]["left"]["known"] > 30
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Left out. The log holds no distance" in page
    with (tmp_path / "out" / "stations.csv").open(encoding="utf-8") as stream:
        assert next(csv.reader(stream))[0] == "time_since_start_s"


def test_a_job_that_does_not_overlap(log: Path, tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(JOB, encoding="utf-8")
    out = tmp_path / "out"
    bad(report(log, "-o", out, "--job", job, "--start", 300),
        "runs from 0 to 20 m and the log from 300.", "they have nothing in common")  # fmt: skip
    assert not out.exists()


def test_a_wrong_command_line(log: Path, tmp_path: Path) -> None:
    bad(report("-o", tmp_path), "linehold report: LOG... is missing")
    bad(report(log), "linehold report: -o is missing")
    bad(report(log, "-o", tmp_path, "--start", 1, "--start", 2), "--start: it is given 2 times")
    bad(report(log, "-o", tmp_path, "--start", "nan"), '"nan" is out of range')
    bad(report(log, "-o", tmp_path, "--job", tmp_path / "no.toml"), "no.toml")
    bad(report(log, "-o", log), "is a file; a folder is right")


def test_a_job_in_the_log_that_this_version_does_not_know() -> None:
    odd = made_by_hand(columns(way(1.0)), job={"name": "a path", "layer": "subgrade"})
    with pytest.raises(ReportError, match=r"made\.mcap: the job in the log .* \(stations: "):
        _job(None, [odd])
    assert _job(None, [made_by_hand(columns(way(1.0)))]) is None


def test_two_logs_in_one_report(log: Path, tmp_path: Path) -> None:
    found = told(log, log, "-o", tmp_path, "--start", 0, "--start", 6)
    assert found["to_m"] == pytest.approx(14.1, abs=0.3)
    assert len(found["logs"]) == 2


def test_a_header_of_a_run_is_what_the_page_tells(log: Path, tmp_path: Path) -> None:
    """Notes and names in a log are anybody's: none of them becomes markup."""
    notes = {"<b>note</b>": "<script>alert(1)</script>"}
    path = rewrite(tmp_path / "odd.mcap", records(log), notes=notes,
                   started="<i>yesterday</i>")  # fmt: skip
    assert report(path, "-o", tmp_path / "out").exit_code == 0
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "<i>yesterday" not in page
    assert "&lt;script&gt;" in page
