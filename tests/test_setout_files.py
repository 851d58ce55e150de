"""Broken input: each fault in one clear sentence, all faults of a file at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from firmware_py.errors import FileFault
from firmware_py.setout.reading import Read, read_design

TOP = 'name = "alder-lane"\nwidth_m = 2\ncrossfall_pct = 2\n'
STRING = '[string]\nside = "left"\nabove_mm = 300\n'
POINTS = "[profile]\npoints = [{chainage_m = 0, level_m = 10}, {chainage_m = 50, level_m = 11}]\n"


def design(folder: Path, profile: str = POINTS, top: str = TOP, rest: str = "") -> Path:
    path = folder / "job.toml"
    path.write_text(top + profile + STRING + rest, encoding="utf-8")
    return path


def csv_job(folder: Path, table: str, top: str = TOP) -> Path:
    (folder / "levels.csv").write_text(table, encoding="utf-8")
    return design(folder, '[profile]\nstations_csv = "levels.csv"\n', top)


def faults(path: Path) -> list[str]:
    with pytest.raises(FileFault) as caught:
        read_design(path)
    return [str(fault) for fault in caught.value.faults]


def levels(read: Read, *at: float) -> list[float]:
    return [float(one) for one in read.strip.profile.levels(np.array(at))]


def test_points_may_give_grades_in_place_of_levels(tmp_path: Path) -> None:
    profile = (
        "[profile]\npoints = [{chainage_m = 0, level_m = 10}, {chainage_m = 50, grade_pct = 2, "
        "curve_m = 20}, {chainage_m = 100, grade_pct = -1}]\n"
    )
    assert levels(read_design(design(tmp_path, profile)), 40, 100) == pytest.approx([10.8, 10.5])


def test_stations_out_of_order_and_curves_too_long_are_all_told_with_their_lines(
    tmp_path: Path,
) -> None:
    profile = """[profile]
points = [
  {chainage_m = 0, level_m = 10},
  {chainage_m = 30, level_m = 10.3, curve_m = 40},
  {chainage_m = 50, level_m = 10.1, curve_m = 30},
  {chainage_m = 45, level_m = 10.0, grade_pct = 2},
]
"""
    told = faults(design(tmp_path, profile))
    assert told == [
        f"{tmp_path}/job.toml:8: profile.points[3].curve_m: the half curves between this point "
        "and its neighbour take 35 m; the grade between is 20 m long",
        f"{tmp_path}/job.toml:9: profile.points[4].chainage_m: 45 does not follow 50; rising "
        "chainages are right",
        f"{tmp_path}/job.toml:9: profile.points[4].grade_pct: level_m and grade_pct are both "
        "given; one is right",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[profile]\n", "no levels are given; one of stations, stations_csv, points, landxml"),
        (POINTS + 'landxml = "a.xml"\n', "points and landxml are given; one of"),
        ("[profile]\npoints = [{chainage_m = 0, level_m = 10}]\n", "one point; at least two"),
        ("[profile]\nstations = [{chainage_m = 0, level_m = 10}]\n", "one station; at least two"),
        (POINTS.replace("level_m = 10}", "grade_pct = 1}", 1), "the first point needs its level"),
        (POINTS.replace("level_m = 11", "curve_m = 9"), "a point needs level_m or grade_pct"),
        (POINTS.replace("level_m = 11", "level_m = 11, curve_m = 9"), "no grade beyond it"),
        (POINTS.replace("chainage_m = 50", "chainage_ft = 50"), "unknown key"),
        ('[profile]\nstations_csv = "none.csv"\n', "No such file"),
        ('[profile]\nlandxml = "none.xml"\n', "No such file"),
    ],
)
def test_profiles_that_say_too_little_or_too_much(tmp_path: Path, text: str, words: str) -> None:
    assert any(words in one for one in faults(design(tmp_path, text)))


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        ("tolerance_mm = 0\n", "out of range"),
        ("pins = [{chainage_m = 0}]\n", "one pin; at least two"),
        ("pins = [{chainage_m = 3}, {chainage_m = 50}]\n", "from 3 to 50 m; the job runs from 0"),
        ("least_spacing_m = 8\n", "8 is above most_spacing_m, 6"),
        ('[[layers]]\nname = "a"\nthickness_mm = 0\n', "out of range"),
        ("[existing]\n", "no levels are given; levels or csv is right"),
        ("[existing]\nlevels = [{chainage_m = 0, left_m = 1}]\n", "right_m: missing"),
        ("[existing]\nlevels = [{chainage_m = 0, level_m = 33}]\n", "mixed units"),
        ("[existing]\nlevels = [{chainage_m = 90, level_m = 10}]\n", "no level lies within"),
        ("[[crossfall]]\nchainage_m = 5\npct = 1\n[[crossfall]]\nchainage_m = 5\npct = 2\n",
         "5 does not follow 5"),
        ('[[obstacles]]\nkind = "pole"\nfrom_m = 9\nto_m = 8\n', "9 is not below to_m, 8"),
        ("[[bends]]\nfrom_m = 0\nto_m = 9\nradius_m = 20\n"
         "[[bends]]\nfrom_m = 5\nto_m = 12\nradius_m = 20\n", "before the end of the one before"),
    ],
)  # fmt: skip
def test_other_keys(tmp_path: Path, rest: str, words: str) -> None:
    told = faults(design(tmp_path, rest=rest))
    assert any(words in one for one in told), told
    assert all(f"{tmp_path}/job.toml:" in one for one in told)


def test_a_layer_that_is_not_listed(tmp_path: Path) -> None:
    top = TOP + 'worked_on = "base"\n'
    assert '"formation" is right' in faults(design(tmp_path, top=top))[0]


def test_a_width_and_a_crossfall_are_needed_somewhere(tmp_path: Path) -> None:
    told = faults(design(tmp_path, top='name = "n"\n'))
    assert [one.split(": ", 1)[1] for one in told] == [
        "crossfall_pct: missing; give it here or at every station",
        "width_m: missing; give it here or at every station",
    ]
    table = "chainage_m,level_m,width_m\n0,1,2\n9,1,2\n"
    assert "crossfall_pct" in faults(csv_job(tmp_path, table, 'name = "n"\n'))[0]


def test_a_csv_of_stations_in_m_or_ft(tmp_path: Path) -> None:
    read = read_design(csv_job(tmp_path, "# paper\nchainage_m; level_m\n0; 10\n\n20; 11\n"))
    assert levels(read, 10) == pytest.approx([10.5])
    table = "chainage_ft,level_ft,crossfall_pct,width_ft\n0,10,1,6\n100,12,3,6\n"
    read = read_design(csv_job(tmp_path, table, 'name = "n"\n'))
    assert levels(read, 15.24) == pytest.approx([11 * 0.3048])
    assert read.strip.crossfall(np.array([15.24]))[0] == pytest.approx(0.02)
    assert read.strip.width(np.array([0.0]))[0] == pytest.approx(6 * 0.3048)


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ("", ["is empty"]),
        ("chainage_m,level_m\n", [":1: has column names and no row"]),
        ("chainage_m\n0\n1\n", [":1: level_m: missing column; chainage_m, level_m,"]),
        ("chainage_m,level_ft\n0,1\n", [":1: mixed units: columns in m and columns in ft"]),
        ("station,level_m\n0,1\n", [':1: "station": unknown column']),
        ("chainage_m,level_m,level_m\n0,1,1\n", [":1: level_m: the column is there twice"]),
        ("chainage_m,level_m\n0,1\n5\nx,2\n4,nan\n9,1e9\n3,1\n", [
            ":3: 1 cells; the header has 2 columns", ':4: chainage: "x" is not a number',
            ':5: level: "nan" is out of range', ':6: level: "1e9" is out of range',
            ":7: chainage: 3 m does not follow 9 m"]),
        ("chainage_m,level_m\n5,1\n", ["one station; at least two"]),
    ],
)  # fmt: skip
def test_broken_tables(tmp_path: Path, table: str, told: list[str]) -> None:
    found = faults(csv_job(tmp_path, table))
    assert len(found) == len(told)
    assert all(words in one for words, one in zip(told, found, strict=True)), found


def test_many_faults_are_counted(tmp_path: Path) -> None:
    found = faults(csv_job(tmp_path, "chainage_m,level_m\n" + "x,1\n" * 50))
    assert len(found) == 21
    assert any("and 30 more faults" in one for one in found)


def test_existing_levels_from_a_csv(tmp_path: Path) -> None:
    path = design(tmp_path, rest='[existing]\ncsv = "ground.csv"\n')
    ground = tmp_path / "ground.csv"
    ground.write_text("chainage_m,left_m,right_m\n0,10.1,10.0\n50,11.1,11.0\n", encoding="utf-8")
    read = read_design(path)
    assert read.ground is not None
    assert read.ground.left.tolist() == [10.1, 11.1]
    ground.write_text("chainage_m,left_m\n0,10.1\n50,11.1\n", encoding="utf-8")
    assert "missing columns" in faults(path)[0]


def test_a_landxml_profile_in_feet_becomes_a_strip(tmp_path: Path) -> None:
    (tmp_path / "line.xml").write_text(
        '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><Units><Imperial '
        'linearUnit="foot"/></Units><Alignments><Alignment name="a"><Profile><ProfAlign name="p">'
        "<PVI>0 30</PVI><PVI>200 34</PVI></ProfAlign></Profile></Alignment></Alignments></LandXML>",
        encoding="utf-8",
    )
    read = read_design(design(tmp_path, '[profile]\nlandxml = "line.xml"\n'))
    assert levels(read, 30.48) == pytest.approx([32 * 0.3048])
    assert read.notes[0] == "Profile p of alignment a, line.xml."


def test_a_landxml_curve_longer_than_its_grades_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "line.xml").write_text(
        '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><Units><Metric '
        'linearUnit="meter"/></Units><Alignments><Alignment name="a"><Profile><ProfAlign name="p">'
        '<PVI>0 30</PVI><ParaCurve length="40">15 31</ParaCurve><PVI>90 30</PVI></ProfAlign>'
        "</Profile></Alignment></Alignments></LandXML>",
        encoding="utf-8",
    )
    assert faults(design(tmp_path, '[profile]\nlandxml = "line.xml"\n')) == [
        f"{tmp_path}/line.xml: p: between the points at 0 and 15 m the curves need 20 m of a "
        "grade 15 m long; shorter curves are right"
    ]


@pytest.mark.parametrize("value", ["nan", "52300"])
def test_a_level_that_is_wrong_is_not_also_said_to_be_missing(tmp_path: Path, value: str) -> None:
    (fault,) = faults(design(tmp_path, POINTS.replace("level_m = 10}", f"level_m = {value}}}")))
    assert f"job.toml:5: profile.points[1].level_m: {value} is" in fault
    assert "missing" not in fault


def test_a_width_that_is_wrong_at_one_station_is_not_also_said_to_be_missing(
    tmp_path: Path,
) -> None:
    profile = (
        "[profile]\nstations = [{chainage_m = 0, level_m = 10, width_m = 2},\n"
        "  {chainage_m = 9, level_m = 10, width_m = 200}]\n"
    )
    (fault,) = faults(design(tmp_path, profile, TOP.replace("width_m = 2\n", "")))
    assert "profile.stations[2].width_m: 200 is out of range" in fault


@pytest.mark.parametrize("text", ["width_m = 1,8", "a = [{width_m = 1,8}]", "width_m = -1,85 # m"])
def test_a_decimal_comma_is_told_as_what_it_is(tmp_path: Path, text: str) -> None:
    (fault,) = faults(design(tmp_path, top=TOP.replace("width_m = 2", text)))
    assert "job.toml:2: not TOML: " in fault
    assert fault.endswith(": write a decimal point, not a comma")
    assert "; 1,8" in fault or "; -1,85" in fault


def test_other_bad_toml_is_not_said_to_have_a_comma(tmp_path: Path) -> None:
    (fault,) = faults(design(tmp_path, top=TOP.replace("width_m = 2", "width_m = 2 8")))
    assert "comma" not in fault


@pytest.mark.parametrize(
    ("start", "end", "fits"),
    [(60, 61, False), (-5, -4, False), (50, 52, False), (-1, 0, False), (49, 52, True)],
)
def test_an_obstacle_outside_of_the_job_is_told(
    tmp_path: Path, start: float, end: float, fits: bool
) -> None:
    rest = f'[[obstacles]]\nkind = "cover"\nfrom_m = {start}\nto_m = {end}\n'
    path = design(tmp_path, rest=rest)
    if fits:
        assert read_design(path).design.obstacles
        return
    (fault,) = faults(path)
    assert fault == (
        f"{path}:9: obstacles[1]: from {start} to {end} m; the job runs from 0 to 50 m, and some "
        "of it must lie there"
    )


@pytest.mark.parametrize(
    "letters", [r"\u001b[31m", r"\u202e", r"\n", r"\u0007", r"\u2066", r"\u2028"]
)
def test_what_moves_a_cursor_or_turns_the_writing_is_no_text(tmp_path: Path, letters: str) -> None:
    """A raw name would reach the terminal, and could show another one than it is."""
    rest = (
        f'[[obstacles]]\nkind = "cover"\nfrom_m = 1\nto_m = 2\nwords = "a{letters}b"\n'
        f'[[layers]]\nname = "{letters}"\nthickness_mm = 100\n'
    )
    told = faults(design(tmp_path, rest=rest, top=TOP.replace("alder-lane", f"a{letters}")))
    keys = ("name", "obstacles[1].words", "layers[1].name")
    for key, fault in zip(keys, told, strict=True):
        assert f": {key}: " in fault
        assert fault.endswith(" has other letters; one line of printable letters is right")
        assert fault.isprintable()


def test_names_in_any_script_are_text(tmp_path: Path) -> None:
    path = design(tmp_path, top=TOP.replace("alder-lane", "Weg am Bühl, 道路, дорога"))
    assert read_design(path).design.name == "Weg am Bühl, 道路, дорога"
