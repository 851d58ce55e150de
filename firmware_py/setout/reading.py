"""From a design file to a strip and its ground: CSV and LandXML beside it are read here."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from firmware_py.errors import Fault, FileFault, Place, dotted, shown
from firmware_py.setout import layers
from firmware_py.setout.alignment import (
    Floats,
    Intersection,
    Profile,
    SetoutError,
    from_points,
    from_stations,
)
from firmware_py.setout.design_file import Design
from firmware_py.setout.landxml import load_landxml
from firmware_py.setout.layers import LayerBuilt
from firmware_py.setout.strip import Along, Ground, Strip, constant
from firmware_py.setout.tables import load_table
from firmware_py.settings_file import load_model, read_text
from firmware_py.toml_lines import Lines

FAR_OFF = 10.0  # m between ground and design: more is another datum, or another unit


@dataclass(frozen=True)
class Read:
    """A design and all that belongs to it, SI."""

    design: Design
    strip: Strip
    layer: LayerBuilt
    layers: list[LayerBuilt]
    ground: Ground | None
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class _Rows:
    """A profile, and what its stations say of crossfall and width (None: nothing)."""

    profile: Profile
    crossfall: Along | None = None
    width: Along | None = None
    ground: Ground | None = None
    notes: tuple[str, ...] = ()


def read_design(path: Path) -> Read:
    """A design file and those it names; FileFault with every fault of the first bad one."""
    design = load_model(path, Design)
    rows = _profile(path, design)
    made = layers.stack([(one.name, one.thickness_mm / 1e3, one.compaction_pct / 100)
                         for one in design.layers])  # fmt: skip
    layer = next(one for one in made if one.name == design.worked_on)
    strip = Strip(
        rows.profile, design.profile.level_at, _crossfall(path, design, rows),
        _width(path, design, rows), layers.graded_below(layer), design.string.side,
    )  # fmt: skip
    _refuse_short_string(path, design, rows.profile)
    _refuse_far_obstacles(path, design, rows.profile)
    ground = _ground(path, design) or rows.ground
    if ground is not None:
        _refuse_far_ground(path, design, strip, ground)
    notes = list(rows.notes)
    if not design.layers:
        notes.append("No layers are listed: the layer worked on lies at the levels as given.")
    return Read(design, strip, layer, made, ground, notes)


def fault_at(path: Path, place: Place, words: str) -> FileFault:
    """A fault of a design file that showed later, with the line of its key."""
    return FileFault([Fault(str(path), Lines(read_text(path)).of(place), dotted(place), words)])


def _beside(path: Path, name: str) -> Path:
    """A file that a design file names, from its own folder."""
    return path.parent / name


def _profile(path: Path, design: Design) -> _Rows:
    given = design.profile
    if given.stations:
        at = np.array([row.chainage_m for row in given.stations])
        level = np.array([row.level_m for row in given.stations])
        cross = [design.crossfall_pct if row.crossfall_pct is None else row.crossfall_pct
                 for row in given.stations]  # fmt: skip
        width = [design.width_m if row.width_m is None else row.width_m for row in given.stations]
        if at.size < 2:
            raise fault_at(path, ("profile", "stations"), "one station; at least two are right")
        return _Rows(from_stations(at, level), _along(at, cross, 0.01), _along(at, width, 1.0))
    if given.stations_csv is not None:
        return _from_csv(_beside(path, given.stations_csv))
    if given.landxml is not None:
        return _from_landxml(_beside(path, given.landxml), given.alignment)
    return _Rows(_from_points(path, design))


def _along(at: Floats, values: list[float | None], factor: float) -> Along | None:
    """The rows that say something; None if none does."""
    said = [(one, value * factor) for one, value in zip(at, values, strict=True)
            if value is not None]  # fmt: skip
    return Along(np.array([a for a, _ in said]), np.array([v for _, v in said])) if said else None


def _from_csv(path: Path) -> _Rows:
    table = load_table(path, ("chainage", "level"), ("chainage", "level", "crossfall", "width"))
    at = table.columns["chainage"]
    if at.size < 2:
        raise FileFault([Fault(str(path), None, "", "one station; at least two are right")])
    extra = [table.get(name) for name in ("crossfall", "width")]
    cross, width = (Along(at, one) if one is not None else None for one in extra)
    return _Rows(from_stations(at, table.columns["level"]), cross, width)


def _from_landxml(path: Path, alignment: str | None) -> _Rows:
    found = load_landxml(path, alignment)
    try:
        profile = from_points(found.points)
    except SetoutError as error:
        raise FileFault([Fault(str(path), None, found.profile, str(error))]) from error
    ground = None if found.ground is None else Ground(found.ground[0], *[found.ground[1]] * 2)
    profile_name, alignment_name = _name(found.profile), _name(found.alignment)
    told = f"Profile {profile_name} of alignment {alignment_name}"
    return _Rows(profile, ground=ground, notes=(f"{told}, {path.name}.", *found.notes))


def _name(text: str) -> str:
    """A name from a file as it can be printed."""
    return (text if text.isprintable() else shown(text)) or "(no name)"


def _from_points(path: Path, design: Design) -> Profile:
    made: list[Intersection] = []
    for row in design.profile.points:
        level = row.level_m
        if level is None:
            level = made[-1].level + (row.grade_pct or 0.0) / 100 * (row.chainage_m - made[-1].at)
        made.append(Intersection(row.chainage_m, level, row.curve_m / 2, row.curve_m / 2))
    try:
        return from_points(made)
    except SetoutError as error:  # what the file's own checks do not see: rounding
        raise fault_at(path, ("profile", "points"), str(error)) from error


def _crossfall(path: Path, design: Design, rows: _Rows) -> Along:
    if design.crossfall:
        at = np.array([row.chainage_m for row in design.crossfall])
        return Along(at, np.array([row.pct / 100 for row in design.crossfall]))
    if rows.crossfall is not None:
        return rows.crossfall
    if design.crossfall_pct is None:
        raise fault_at(path, ("crossfall_pct",), "missing; here, or as a column of the stations")
    return constant(design.crossfall_pct / 100)


def _width(path: Path, design: Design, rows: _Rows) -> Along:
    if rows.width is not None:
        return rows.width
    if design.width_m is None:
        raise fault_at(path, ("width_m",), "missing; here, or as a column of the stations")
    return constant(design.width_m)


def _ground(path: Path, design: Design) -> Ground | None:
    given = design.existing
    if given is None:
        return None
    if given.csv is None:
        at = np.array([row.chainage_m for row in given.levels])
        both = [(row.left_m, row.right_m) if row.level_m is None else (row.level_m, row.level_m)
                for row in given.levels]  # fmt: skip
        left, right = np.array(both, dtype=float).T
        return Ground(at, left, right)
    table = load_table(
        _beside(path, given.csv), ("chainage",), ("chainage", "level", "left", "right")
    )
    level, left, right = (table.get(name) for name in ("level", "left", "right"))
    if level is not None and left is None and right is None:
        return Ground(table.columns["chainage"], level, level)
    if level is None and left is not None and right is not None:
        return Ground(table.columns["chainage"], left, right)
    words = "level_m, or left_m and right_m, beside chainage_m are right"
    raise FileFault([Fault(str(table.path), 1, "", f"missing columns; {words}")])


def _refuse_short_string(path: Path, design: Design, profile: Profile) -> None:
    """Pins as given reach from the start of the levels to their end, and no further."""
    pins = design.string.pins
    if pins and (pins[0].chainage_m, pins[-1].chainage_m) != (profile.start, profile.end):
        words = (
            f"from {pins[0].chainage_m:g} to {pins[-1].chainage_m:g} m; the job runs from "
            f"{profile.start:g} to {profile.end:g} m, and so must its pins"
        )
        raise fault_at(path, ("string", "pins"), words)


def _refuse_far_obstacles(path: Path, design: Design, profile: Profile) -> None:
    """An obstacle of which no part lies within the job is a slip of the pen."""
    faults = [
        fault
        for number, one in enumerate(design.obstacles)
        if one.to_m <= profile.start or one.from_m >= profile.end
        for fault in fault_at(
            path, ("obstacles", number),
            f"from {one.from_m:g} to {one.to_m:g} m; the job runs from {profile.start:g} to "
            f"{profile.end:g} m, and some of it must lie there",
        ).faults
    ]  # fmt: skip
    if faults:
        raise FileFault(faults)


def _refuse_far_ground(path: Path, design: Design, strip: Strip, ground: Ground) -> None:
    """Ground far from the design is not on its datum, or not in its unit."""
    inside = (ground.at >= strip.profile.start) & (ground.at <= strip.profile.end)
    at = ground.at[inside]
    if not at.size:
        span = f"{strip.profile.start:g} to {strip.profile.end:g} m"
        raise fault_at(path, ("existing",), f"no level lies within the job, {span}")
    off = np.maximum(np.abs(ground.left[inside] - strip.layer(at, "left")),
                     np.abs(ground.right[inside] - strip.layer(at, "right")))  # fmt: skip
    worst = int(np.argmax(off))
    if not off[worst] <= FAR_OFF:
        where = ("existing",) if design.existing is not None else ("profile",)
        words = (
            f"at {at[worst]:g} m the ground lies {off[worst]:.1f} m off the layer, more than "
            f"{FAR_OFF:g} m: another datum, or mixed units"
        )
        raise fault_at(path, where, words)
