"""Checks across the values of a design file, told with the key that is to blame."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from firmware_py.schema import UNKNOWN, Crossed, View

SLACK_M = 1e-6  # two curves that end and begin at one place, as written in decimals


def numbered(rows: Any, *keys: str) -> list[tuple[Any, ...]]:
    """The values of these keys in each row of a list; None where a row does not have them."""
    tables = [row if isinstance(row, dict) else {} for row in rows]
    return [tuple(_number(row.get(key)) for key in keys) for row in tables]


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None


def _given(row: Any, key: str) -> bool:
    """A row says something at a key, be it wrong; so does a row that is no table."""
    return not isinstance(row, dict) or row.get(key) is not None


def rising(view: View, key: str, place: str = "chainage_m") -> Iterator[Crossed]:
    """Each row of a list lies beyond the one before it."""
    for rows in view.known(key):
        at = [row[0] for row in numbered(rows, place)]
        for number, (one, two) in enumerate(pairwise(at), start=1):
            if one is not None and two is not None and two <= one:
                words = f"{two:g} does not follow {one:g}; rising chainages are right"
                yield Crossed((f"{key}.{number}.{place}",), words)


def level_or_grade(point: View) -> Iterator[Crossed]:
    """A point says its level or the grade of the way to it, not both."""
    match point.known("level_m", "grade_pct"):
        case [None, None]:
            yield Crossed(("level_m",), "missing; a point needs level_m or grade_pct")
        case [float() | int(), float() | int()]:
            yield Crossed(("grade_pct",), "level_m and grade_pct are both given; one is right")


def one_kind_of_levels(profile: View) -> Iterator[Crossed]:
    """Levels come from exactly one of four places."""
    keys = ("stations", "stations_csv", "points", "landxml")
    given = [key for key in keys if profile.get(key)]
    if any(profile.get(key) is UNKNOWN for key in keys):
        return
    if len(given) != 1:
        told = f"{' and '.join(given)} are given" if given else "no levels are given"
        keys_to_blame = (given[-1],) if given else ("",)
        yield Crossed(keys_to_blame, f"{told}; one of {', '.join(keys)} is right")
    elif given == ["points"] and len(profile.get("points")) < 2:
        yield Crossed(("points",), "one point; at least two are right")


def stations_in_order(profile: View) -> Iterator[Crossed]:
    """Design stations rise."""
    yield from rising(profile, "stations")


def points_fit(profile: View) -> Iterator[Crossed]:
    """Points rise, the first has a level, and the curves about them do not overlap."""
    yield from rising(profile, "points")
    for points in profile.known("points"):
        rows = numbered(points, "chainage_m", "curve_m", "level_m")
        if points and isinstance(points[0], dict) and points[0].get("level_m") is None:
            yield Crossed(("points.0.level_m",), "missing; the first point needs its level")
        yield from _curves_fit([(at, curve or 0.0) for at, curve, _ in rows])


def _curves_fit(rows: list[tuple[float | None, float]]) -> Iterator[Crossed]:
    """Half of each curve lies before its point and half behind it."""
    last = len(rows) - 1
    for number, (at, curve) in enumerate(rows):
        if curve and number in (0, last):
            words = f"{curve:g} m at the {'last' if number else 'first'} point; no grade beyond it"
            yield Crossed((f"points.{number}.curve_m",), f"a curve of {words}; 0 is right there")
        if at is None or number == 0 or rows[number - 1][0] is None:
            continue
        before = rows[number - 1]
        way, need = at - (before[0] or 0.0), 0.5 * (curve + before[1])
        if way > 0 and need > way + SLACK_M:
            words = f"the half curves between this point and its neighbour take {need:g} m"
            blamed = f"points.{number if curve else number - 1}.curve_m"
            yield Crossed((blamed,), f"{words}; the grade between is {way:g} m long")


def pins_in_order(line: View) -> Iterator[Crossed]:
    """Pins rise, and there are two at least."""
    yield from rising(line, "pins")
    for pins in line.known("pins"):
        if len(pins) == 1:
            yield Crossed(("pins",), "one pin; at least two are right, or none for ours")


def spacings(line: View) -> Iterator[Crossed]:
    """The least spacing is not above the most."""
    match line.known("least_spacing_m", "most_spacing_m"):
        case [least, most] if least > most:
            words = f"{least:g} is above most_spacing_m, {most:g}"
            yield Crossed(("least_spacing_m", "most_spacing_m"), words)


def runs_on(span: View) -> Iterator[Crossed]:
    """A span ends beyond its start."""
    match span.known("from_m", "to_m"):
        case [start, end] if start >= end:
            yield Crossed(("from_m", "to_m"), f"{start:g} is not below to_m, {end:g}")


def one_or_both_edges(row: View) -> Iterator[Crossed]:
    """A ground level is one for the whole width, or one at each edge."""
    match row.known("level_m", "left_m", "right_m"):
        case [None, None, None]:
            yield Crossed(("level_m",), "missing; level_m, or left_m and right_m, is right")
        case [None, left, right] if left is None or right is None:
            lacks = "left_m" if left is None else "right_m"
            yield Crossed((lacks,), "missing; left_m and right_m go together")
        case [float() | int(), left, right] if left is not None or right is not None:
            yield Crossed(("level_m",), "level_m goes without left_m and right_m")


def one_kind_of_ground(existing: View) -> Iterator[Crossed]:
    """Existing levels stand here or in a CSV."""
    match existing.known("levels", "csv"):
        case [[], None]:
            yield Crossed(("",), "no levels are given; levels or csv is right")
        case [[_, *_], str()]:
            yield Crossed(("csv",), "levels and csv are both given; one of them is right")


def ground_in_order(existing: View) -> Iterator[Crossed]:
    """Existing levels rise in chainage."""
    yield from rising(existing, "levels")


def layer_is_listed(design: View) -> Iterator[Crossed]:
    """The layer worked on is one of the layers, or what lies below them all."""
    for layers, worked_on in [design.known("layers", "worked_on") or ([], "formation")]:
        names = [row.get("name") for row in layers if isinstance(row, dict)]
        if any(not isinstance(name, str) for name in names):
            return
        for number, name in enumerate(names):
            if name in names[:number]:
                yield Crossed((f"layers.{number}.name",), f'"{name}" is listed twice')
        if worked_on not in [*names, "formation"]:
            right = ", ".join(f'"{name}"' for name in [*names, "formation"])
            yield Crossed(("worked_on",), f'"{worked_on}" is no layer here; {right} is right')


def rows_in_order(design: View) -> Iterator[Crossed]:
    """Crossfalls, bends and obstacles rise along the job and do not overlap."""
    yield from rising(design, "crossfall")
    for key in ("bends", "obstacles"):
        for rows in design.known(key):
            spans = numbered(rows, "from_m", "to_m")
            for number, (one, two) in enumerate(pairwise(spans), start=1):
                if None not in (one[1], two[0]) and two[0] < one[1]:
                    words = f"{two[0]:g} lies before the end of the one before it, {one[1]:g}"
                    yield Crossed((f"{key}.{number}.from_m",), words)


def spans_fit(design: View) -> Iterator[Crossed]:
    """A width and a crossfall are given everywhere; a CSV's columns are looked at later."""
    profile = design.get("profile")
    stations = design.get("profile.stations")
    if profile is UNKNOWN or stations is UNKNOWN or design.get("profile.stations_csv"):
        return
    rows = numbered(stations, "crossfall_pct", "width_m")
    if design.get("crossfall") not in (UNKNOWN, []) and any(row[0] is not None for row in rows):
        words = "crossfall is given here and at stations; one of them is right"
        yield Crossed(("crossfall",), words)
    for key, rest in (("crossfall_pct", design.get("crossfall")), ("width_m", [])):
        everywhere = bool(rows) and all(_given(row, key) for row in stations)
        if design.get(key) is None and rest == [] and not everywhere:
            yield Crossed((key,), "missing; give it here or at every station")
