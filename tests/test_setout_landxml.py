"""LandXML: what is read, what is named as not supported, and what is refused at the door."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from firmware_py.errors import FileFault
from firmware_py.setout.alignment import from_points
from firmware_py.setout.landxml import load_landxml

METRIC = '<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units>'
LINE = """<PVI>0 41.0</PVI>
      <ParaCurve length="30">30 41.45</ParaCurve>
      <PVI>72 40.946</PVI>"""


def xml(line: str = LINE, units: str = METRIC, extra: str = "", tail: str = "") -> str:
    """A file of ours, written from the standard's own element list."""
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-01-05" time="08:00:00">
  {units}
  <Project name="Alder Lane"/>
  <Alignments>
    <Alignment name="footpath" length="72" staStart="0">
      <CoordGeom><Line><Start>0 0</Start><End>72 0</End></Line></CoordGeom>{extra}
      <Profile><ProfAlign name="finished">{line}</ProfAlign>
      <ProfSurf name="ground"><PntList2D>0 40.8 36 41.1 72 40.7</PntList2D></ProfSurf></Profile>
    </Alignment>{tail}
  </Alignments>
</LandXML>"""  # noqa: E501


def write(folder: Path, text: str) -> Path:
    path = folder / "job.xml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(folder: Path, text: str, alignment: str | None = None) -> str:
    with pytest.raises(FileFault) as caught:
        load_landxml(write(folder, text), alignment)
    assert len(caught.value.faults) == 1
    return str(caught.value)


def test_a_profile_with_its_ground_is_read(tmp_path: Path) -> None:
    found = load_landxml(write(tmp_path, xml()))
    assert (found.alignment, found.profile) == ("footpath", "finished")
    profile = from_points(found.points)
    assert profile.levels(np.array([0.0, 15, 30, 72])) == pytest.approx(
        [41.0, 41.225, 41.45 - 0.027 * 30 / 8, 40.946]
    )
    assert found.ground is not None
    assert found.ground[1].tolist() == [40.8, 41.1, 40.7]
    assert found.notes == ["the plan (CoordGeom) is not read; give [[bends]] in the design file"]


@pytest.mark.parametrize(
    ("units", "metres"),
    [
        ('<Imperial linearUnit="foot"/>', 0.3048),
        ('<Imperial linearUnit="USSurveyFoot" elevationUnit="feet"/>', 1200 / 3937),
        ('<Metric linearUnit="millimeter"/>', 1e-3),
    ],
)
def test_units_become_metres(tmp_path: Path, units: str, metres: float) -> None:
    found = load_landxml(write(tmp_path, xml(units=f"<Units>{units}</Units>")))
    second = found.points[1]
    assert (second.at, second.level) == (pytest.approx(30 * metres), pytest.approx(41.45 * metres))
    assert second.length_in == pytest.approx(15 * metres)


def test_every_kind_of_curve(tmp_path: Path) -> None:
    line = """<PVI>0 100</PVI><ParaCurve length="20">50 101</ParaCurve>
      <UnsymParaCurve lengthIn="10" lengthOut="20">100 100</UnsymParaCurve>
      <CircCurve length="30" radius="-1500">160 101</CircCurve><PVI>220 101</PVI>"""
    points = load_landxml(write(tmp_path, xml(line))).points
    assert [(p.length_in, p.length_out, p.radius) for p in points] == [
        (0, 0, None), (10, 10, None), (10, 20, None), (0, 0, 1500), (0, 0, None)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (xml(units=""), "no single <Metric> or <Imperial>"),
        (xml(units='<Units><Metric linearUnit="rod"/></Units>'), '"rod" is not supported'),
        (xml(units='<Units><Imperial linearUnit="foot" elevationUnit="meter"/></Units>'),
         "mixed units: linearUnit foot, elevationUnit meter"),
        (xml(extra='<StaEquation staAhead="100" staInternal="50"/>'), "station equations are not"),
        (xml(line="<PVI>0 1</PVI>"), "1 points; at least two"),
        (xml(line="<PVI>0 1</PVI><PVI>10</PVI>"), "holds 1 numbers"),
        (xml(line="<PVI>0 1</PVI><PVI>ten 1</PVI>"), '"ten 1" are not numbers'),
        (xml(line="<PVI>0 1</PVI><PVI>nan 1</PVI>"), "are not numbers"),
        (xml(line="<PVI>5 1</PVI><PVI>5 2</PVI>"), "station 5 does not follow 5"),
        (xml(line='<ParaCurve length="9">0 1</ParaCurve><PVI>5 2</PVI>'), "a PVI is right there"),
        (xml(line='<PVI>0 1</PVI><ParaCurve length="0">5 1</ParaCurve><PVI>9 1</PVI>'),
         '"0" is no length'),
        (xml(line="<PVI>0 1</PVI><ParaCurve>5 1</ParaCurve><PVI>9 1</PVI>"), "length: missing"),
        (xml(line="<PVI>0 1</PVI><Clothoid>5 1</Clothoid><PVI>9 1</PVI>"),
         "Clothoid: is not supported"),
        (xml().replace("ProfAlign", "ProfOther"), "has no <ProfAlign>"),
        (xml().replace("LandXML-1.2", "LandXML-9"), "namespace"),
        ("<gpx/>", "is no LandXML file"),
        (xml()[:-9], "not well-formed XML"),
        ("", "not well-formed XML: no element found"),
        (xml(tail='<Alignment name="other"/>'), '"footpath", "other"; say which'),
    ],
)  # fmt: skip
def test_one_sentence_with_the_line_for_each_fault(tmp_path: Path, text: str, words: str) -> None:
    told = refused(tmp_path, text)
    assert words in told
    assert f"{tmp_path / 'job.xml'}:" in told


def test_the_alignment_is_chosen_by_its_name(tmp_path: Path) -> None:
    text = xml(tail='<Alignment name="other"/>')
    assert load_landxml(write(tmp_path, text), "footpath").alignment == "footpath"
    assert 'no alignment named "third"' in refused(tmp_path, text, "third")


BOMB = """<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><LandXML>&c;</LandXML>"""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (BOMB, "has a DTD or entities"),
        ('<!DOCTYPE x SYSTEM "file:///etc/passwd"><x/>', "has a DTD or entities"),
        ("<a>" * 60 + "</a>" * 60, "nested more than 50 deep"),
        ("<LandXML>" + "<a/>" * 120_001 + "</LandXML>", "more than 120000 elements"),
    ],
)
def test_bombs_are_refused(tmp_path: Path, text: str, words: str) -> None:
    assert words in refused(tmp_path, text)


def test_a_file_that_is_too_large_or_not_there(tmp_path: Path) -> None:
    path = write(tmp_path, "")
    with path.open("r+b") as stream:
        stream.truncate(50_000_001)
    with pytest.raises(FileFault, match="larger than 50000000 bytes; export the alignment alone"):
        load_landxml(path)
    with pytest.raises(FileFault, match="No such file"):
        load_landxml(tmp_path / "none.xml")


def test_what_lies_below_a_surface_is_not_kept(tmp_path: Path) -> None:
    faces = "<Surfaces><Surface><P>1 2 3</P></Surface></Surfaces>" * 3
    found = load_landxml(write(tmp_path, xml().replace("<Project", faces + "<Project")))
    assert found.points[0].level == 41.0
