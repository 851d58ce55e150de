"""Check levels: the file with all that can be wrong in it, and bias and spread against them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from asgraded_made import columns, run, way
from test_asgraded_stations import job

from firmware_py.asgraded.build import build
from firmware_py.asgraded.levels import compare, read_levels
from firmware_py.errors import FileFault

HEAD = "chainage_m,side,level_m\n"


def write(folder: Path, text: str) -> Path:
    path = folder / "checks.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_as_it_should_be(tmp_path: Path) -> None:
    found = read_levels(write(tmp_path, "\ufeffchainage_m, side, level_m\n2, left, 100.02\n"
                                        "4.5,RIGHT,100.01\n"))  # fmt: skip
    assert [(one.chainage, one.side.value, one.level, one.line) for one in found] == [
        (2.0, "left", 100.02, 2), (4.5, "right", 100.01, 3),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "checks.csv: it is empty; the columns chainage_m, side and level_m"),
        ("chainage,side,level_m\n", "checks.csv:1: chainage_m: the column is missing; chainage_m"),
        ("chainage_m,level_m\n", "checks.csv:1: side: the column is missing"),
        ("chainage_m,side,level_mm\n2,left,3\n", 'but "level_mm" is there: the unit differs'),
        ("chainage_ft,side,level_m\n2,left,3\n", 'but "chainage_ft" is there: the unit differs'),
        (HEAD, "it holds no check level"),
        (HEAD + "2,left,100 m\n", 'checks.csv:2: level_m: "100 m" is not a number; a number in m'),
        (HEAD + "2,left,\n", "checks.csv:2: level_m: it is missing"),
        (HEAD + "2,left\n", "checks.csv:2: level_m: it is missing"),
        (HEAD + "2,left,nan\n", "checks.csv:2: level_m: nan is no level"),
        (HEAD + "inf,left,3\n", "checks.csv:2: chainage_m: inf is no level"),
        (HEAD + "2,middle,3\n", 'checks.csv:2: side: "middle" is no side; "left" or "right"'),
        (HEAD + "2,left,3\n4,left,3\n3,left,3\n", "checks.csv:4: chainage_m: 3 does not follow 4"),
        ("chainage_m,side,off_mm\n2,left,4000\n", "off_mm: 4000 is more than 500 mm"),
        ("chainage_m,side,off_mm,level_m\n", "off_mm: level_m stands there as well"),
        ("chainage_m,side,side,level_m\n", "a column stands there twice"),
    ],
)
def test_what_is_wrong_is_one_sentence_with_its_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileFault) as caught:
        read_levels(write(tmp_path, text))
    assert words in str(caught.value)
    assert len(caught.value.faults) == 1


def test_a_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="No such file"):
        read_levels(tmp_path / "none.csv")
    path = tmp_path / "bytes.csv"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(FileFault, match="no text in UTF-8"):
        read_levels(path)


def test_driven_the_other_way_the_chainages_may_fall(tmp_path: Path) -> None:
    assert len(read_levels(write(tmp_path, HEAD + "9,left,1\n5,left,1\n5,right,1\n"))) == 3


def test_bias_and_spread_are_those_of_the_students_t(tmp_path: Path) -> None:
    """The machine believes 2 mm everywhere; five checks say otherwise. k = 2 of a t-distribution
    by its own sd (JCGM 101, 6.4.9.2): s / sqrt(n) * sqrt(dof / (dof - 2))."""
    from scipy import stats  # takes a second

    built = build([run(columns(way(20.0), left=2e-3))])
    offs = [1.0, 3.0, -1.0, 2.5, 0.5]  # mm over what was asked, measured
    text = "chainage_m,side,off_mm\n" + "".join(f"{3 * n + 1},left,{o}\n" for n, o in
                                                enumerate(offs))  # fmt: skip
    found = compare("checks.csv", read_levels(write(tmp_path, text)), built.stations)
    told = found.figures[0]
    machine = 2.0 - np.array(offs)
    assert (told.side, told.n) == ("left", 5)
    assert told.bias * 1e3 == pytest.approx(machine.mean())
    assert told.spread * 1e3 == pytest.approx(stats.tstd(machine))
    want = 2.0 * stats.sem(machine) * stats.t(4).std()
    assert told.bias_half * 1e3 == pytest.approx(want)
    assert [one.side for one in found.figures] == ["left"]


def test_levels_are_held_against_the_jobs_own(tmp_path: Path) -> None:
    """By hand at 10 m: the design is 100.1 m, the edge by the record 10 mm too low there, for the
    job's 10 mm were not in the log's target: 100.09. A check of 100.087 makes +3 mm."""
    built = build([run(columns(way(20.0)))], job())
    path = write(tmp_path, HEAD + "10,left,100.087\n50,left,100\n")
    found = compare("checks.csv", read_levels(path), built.stations)
    assert found.off[0] == pytest.approx(3e-3, abs=0.3e-3)
    assert found.missed == 1
    assert np.isnan(found.figures[0].bias_half)  # one level has no interval


def test_levels_that_cannot_be_compared(tmp_path: Path) -> None:
    rows = build([run(columns(way(20.0)))]).stations
    level = read_levels(write(tmp_path, HEAD + "10,left,100.0\n"))
    with pytest.raises(FileFault, match="a level needs the design's: --job"):
        compare("checks.csv", level, rows)
    far = read_levels(write(tmp_path, HEAD + "10,left,100100\n"))
    with_job = build([run(columns(way(20.0)))], job()).stations
    with pytest.raises(FileFault, match=r"100100 is more than 0\.5 m from the design, 100\.1"):
        compare("checks.csv", far, with_job)
    elsewhere = read_levels(write(tmp_path, HEAD + "90,left,100\n"))
    with pytest.raises(FileFault, match=r"no level lies where the log knows the edge, 0\.1 to 20"):
        compare("checks.csv", elsewhere, with_job)
