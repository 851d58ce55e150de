"""The vertical alignment of a LandXML 1.2 file (landxml.org): Alignment / Profile / ProfAlign.

Read: Units, PVI, ParaCurve, UnsymParaCurve, CircCurve, and ProfSurf as existing ground. What else
bears on levels is named as not supported, with its line. Files of schema 1.0 and 1.1 have the same
elements and are read as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firmware_py import errors
from firmware_py.errors import Fault, FileFault
from firmware_py.setout.alignment import Floats, Intersection
from firmware_py.setout.xml_tree import Node, load_xml

SPACES = ("http://www.landxml.org/schema/LandXML-1.2", "http://www.landxml.org/schema/LandXML-1.1",
          "http://www.landxml.org/schema/LandXML-1.0")  # fmt: skip
UNITS = {  # m; the names of the standard's metLinear, impLinear and elevation units
    "millimeter": 1e-3, "centimeter": 1e-2, "meter": 1.0, "kilometer": 1e3,
    "inch": 0.0254, "foot": 0.3048, "ussurveyfoot": 1200.0 / 3937.0, "mile": 1609.344,
    "feet": 0.3048, "miles": 1609.344,
}  # fmt: skip
KINDS = ("PVI", "ParaCurve", "UnsymParaCurve", "CircCurve")
IN_PLAN = ("CoordGeom",)  # read past: bends come from the design file
IGNORED = ("Profile", "CoordGeom", "Feature", "CrossSects", "AlignPIs", "Cant")


@dataclass(frozen=True)
class LandXml:
    """What was read: points of intersection and ground (m), and notes of what was read past."""

    alignment: str
    profile: str
    points: list[Intersection]
    ground: tuple[Floats, Floats] | None
    notes: list[str]


class _Reader:
    """One file, its units, its notes."""

    def __init__(self, path: Path, wanted: str | None) -> None:
        self.path, self.wanted = path, wanted
        self.notes: list[str] = []
        self.root = load_xml(path)
        if self.root.name != "LandXML":
            raise self.fault(
                self.root, f"<{self.root.name}> is no LandXML file; <LandXML> is right"
            )
        if self.root.space not in SPACES:
            words = f"namespace {errors.shown(self.root.space)}; {SPACES[0]} is right"
            raise self.fault(self.root, words)
        self.along, self.up = self._units()

    def fault(self, node: Node, words: str) -> FileFault:
        return FileFault([Fault(str(self.path), node.line, node.name, words)])

    def _units(self) -> tuple[float, float]:
        """Metres per unit of length, and of elevation."""
        found = [unit for units in self.root.all("Units") for unit in units.children]
        if len(found) != 1 or found[0].name not in ("Metric", "Imperial"):
            words = "no single <Metric> or <Imperial> in <Units>; without it lengths mean nothing"
            raise self.fault(found[0] if found else self.root, words)
        given = found[0].attributes
        linear = self._unit(found[0], "linearUnit", given.get("linearUnit", ""))
        return linear, self._elevation(found[0], given.get("elevationUnit"), linear)

    def _unit(self, node: Node, key: str, word: str) -> float:
        if word.lower() not in UNITS:
            right = "meter, foot or USSurveyFoot"
            raise self.fault(node, f"{key} {errors.shown(word)} is not supported; {right} is right")
        return UNITS[word.lower()]

    def _elevation(self, node: Node, word: str | None, linear: float) -> float:
        """Elevations are in the linear unit; another one stated beside it is mixed units."""
        if word is None:
            return linear
        unit = self._unit(node, "elevationUnit", word)
        both_feet = abs(unit - linear) < 1e-5  # "feet" does not say which foot
        if not both_feet:
            told = f"mixed units: linearUnit {node.attributes['linearUnit']}, elevationUnit {word}"
            raise self.fault(node, f"{told}; one unit for both is right")
        return linear

    def read(self) -> LandXml:
        alignment = self._alignment()
        for child in alignment.children:
            if child.name == "StaEquation":
                words = "station equations are not supported; export continuous stations"
                raise self.fault(child, words)
            if child.name not in IGNORED:
                self.notes.append(f"line {child.line}: <{child.name}> is not read")
        if any(True for name in IN_PLAN for _ in alignment.all(name)):
            self.notes.append("the plan (CoordGeom) is not read; give [[bends]] in the design file")
        if any(True for _ in alignment.all("CrossSects")):
            self.notes.append("cross sections (CrossSects) are not read; give crossfall and width")
        profiles = [child for p in alignment.all("Profile") for child in p.children]
        lines = [node for node in profiles if node.name == "ProfAlign"]
        if not lines:
            raise self.fault(alignment, "has no <ProfAlign>; a design profile is right")
        if len(lines) > 1:
            names = _names(lines)
            words = f"{len(lines)} design profiles, {names}; one <ProfAlign> an alignment is read"
            raise self.fault(lines[1], words)
        surfaces = [node for node in profiles if node.name == "ProfSurf"]
        name = lines[0].attributes.get("name", "")
        return LandXml(alignment.attributes.get("name", ""), name, self._points(lines[0]),
                       self._ground(surfaces), self.notes)  # fmt: skip

    def _alignment(self) -> Node:
        found = [one for group in self.root.all("Alignments") for one in group.all("Alignment")]
        if not found:
            raise self.fault(self.root, "has no <Alignment>; an alignment with a profile is right")
        if self.wanted is None and len(found) > 1:
            words = f"{len(found)} alignments, {_names(found)}; say which by profile.alignment"
            raise self.fault(found[1], words)
        chosen = [a for a in found if self.wanted in (None, a.attributes.get("name"))]
        if not chosen:
            words = f"no alignment named {errors.shown(self.wanted)}; {_names(found)} is there"
            raise self.fault(found[0], words)
        return chosen[0]

    def _points(self, line: Node) -> list[Intersection]:
        nodes = []
        for node in line.children:
            if node.name in KINDS:
                nodes.append(node)
            elif node.name != "Feature":
                raise self.fault(node, f"is not supported; {', '.join(KINDS)} are")
        if len(nodes) < 2:
            raise self.fault(line, f"has {len(nodes)} points; at least two are right")
        for node in (nodes[0], nodes[-1]):
            if node.name != "PVI":
                raise self.fault(node, "a curve at the first or last point; a PVI is right there")
        points = [self._point(node) for node in nodes]
        for node, one, two in zip(nodes[1:], points, points[1:], strict=False):
            if two.at <= one.at:
                words = f"station {two.at / self.along:g} does not follow {one.at / self.along:g}"
                raise self.fault(node, f"{words}; rising stations are right")
        return points

    def _point(self, node: Node) -> Intersection:
        values = self._numbers(node)
        if len(values) != 2:
            raise self.fault(node, f"holds {len(values)} numbers; station and elevation is right")
        at, level = values[0] * self.along, values[1] * self.up
        if node.name == "ParaCurve":
            half = 0.5 * self._length(node, "length")
            return Intersection(at, level, half, half)
        if node.name == "UnsymParaCurve":
            ends = self._length(node, "lengthIn"), self._length(node, "lengthOut")
            return Intersection(at, level, *ends)
        if node.name == "CircCurve":
            return Intersection(at, level, radius=self._length(node, "radius", signed=True))
        return Intersection(at, level)

    def _numbers(self, node: Node) -> list[float]:
        try:
            values = [float(word) for word in node.text.split()]
        except ValueError:
            values = [math.nan]
        if not all(map(math.isfinite, values)):
            raise self.fault(node, f"{errors.shown(node.text.strip())} are not numbers")
        return values

    def _length(self, node: Node, key: str, signed: bool = False) -> float:
        word = node.attributes.get(key)
        try:
            value = float(word) if word is not None else math.nan
        except ValueError:
            value = math.nan
        if signed:  # some write a crest's radius below zero
            value = abs(value)
        if not (math.isfinite(value) and value > 0.0):
            told = "missing" if word is None else f"{errors.shown(word)} is no length"
            raise self.fault(node, f"{key}: {told}; a number above 0 is right")
        return value * self.along

    def _ground(self, surfaces: list[Node]) -> tuple[Floats, Floats] | None:
        """The first surface profile; a gap between its lists is bridged by a straight line."""
        if len(surfaces) > 1:
            self.notes.append(f"{len(surfaces)} surface profiles; the first is taken as the ground")
        lists = [node for one in surfaces[:1] for node in one.all("PntList2D")]
        values = [value for node in lists for value in self._numbers(node)]
        if not values:
            return None
        at, level = np.array(values[0::2]) * self.along, np.array(values[1::2]) * self.up
        if at.size != level.size or at.size < 2 or not np.all(np.diff(at) > 0.0):
            words = "pairs of station and elevation at rising stations are right"
            raise self.fault(lists[0], words)
        return at, level


def _names(nodes: Iterable[Node]) -> str:
    shown = [errors.shown(node.attributes.get("name", "")) for node in nodes]
    return ", ".join(shown[:5]) + (", ..." if len(shown) > 5 else "")


def load_landxml(path: Path, alignment: str | None = None) -> LandXml:
    """The design profile of one alignment, in m; FileFault with line for what is not supported."""
    return _Reader(path, alignment).read()
