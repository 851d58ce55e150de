"""All that setting out finds, in one frozen plan: pins, stations, gate, volumes, warnings. SI."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from firmware_py.messages import Side
from firmware_py.setout import cautions, earthwork, limits, string
from firmware_py.setout.alignment import Floats, SetoutError
from firmware_py.setout.gate import GateFound, Seen, find_gate
from firmware_py.setout.limits import Transition
from firmware_py.setout.pins import Rules, Span, place_pins, worst_errors
from firmware_py.setout.reading import Read
from firmware_py.settings import MM, Rig

MOST_STATIONS = 200_000  # of the sheet and the CSV
GRAM = 1e-3


@dataclass(frozen=True)
class Pins:
    """One row a pin, m. Levels at the layer's edge by the string; ground NaN where not known.

    length: of the whole pin; height: of the string over the ground; cut > 0: ground above layer.
    """

    at: Floats
    names: list[str]
    finished: Floats
    layer: Floats
    string: Floats
    ground: Floats
    length: Floats
    worst: Floats  # largest error of the span that begins here; NaN at the last pin

    @property
    def height(self) -> Floats:
        return self.string - self.ground

    @property
    def cut(self) -> Floats:
        return self.ground - self.layer


@dataclass(frozen=True)
class Stations:
    """One row a station: levels m, crossfall ratio, bow and sag of the string m, areas m2.

    offset = bow + sag: what the layer's edge lies above the string's own line.
    """

    at: Floats
    finished: Floats
    left: Floats
    right: Floats
    crossfall: Floats
    width: Floats
    string: Floats
    bow: Floats
    sag: Floats
    ground_left: Floats
    ground_right: Floats
    cut_area: Floats
    fill_area: Floats

    @property
    def offset(self) -> Floats:
        return self.bow + self.sag


@dataclass(frozen=True)
class Volumes:
    """Cut and fill, m3, by average end areas and by the prismoidal formula; None without ground."""

    cut: float
    fill: float
    cut_prismoidal: float
    fill_prismoidal: float
    deepest: float  # m, of the cut at an edge
    highest: float  # m, of the fill at an edge


@dataclass(frozen=True)
class Plan:
    """What `linehold setout` writes down."""

    read: Read
    rig: Rig
    rules: Rules
    pins: Pins
    stations: Stations
    gate: GateFound
    volumes: Volumes | None
    materials: list[tuple[str, float, float]]  # layer, m3 compacted, m3 loose
    transitions: list[Transition]
    warnings: list[str]

    @property
    def worst(self) -> float:
        """The largest error of the string between pins, m."""
        return float(np.nanmax(self.pins.worst))


def make_plan(read: Read, rig: Rig) -> Plan:
    """Everything from a design and the rig that will work on it."""
    design, strip = read.design, read.strip
    line = design.string
    pull = string.line_weight(line.line_mass_g_per_m * GRAM) / line.tension_n
    rules = Rules(line.tolerance_mm * MM, line.most_spacing_m, line.least_spacing_m, pull)
    at = _pin_places(read, rules)
    pins = _pins(read, rules, at)
    stations = _stations(read, rules, pins)
    volumes = _volumes(read, stations.at)
    turns = limits.transitions(strip.crossfall, strip.width, strip.profile.start, strip.profile.end)
    gate = _gate(read, rig, stations)
    told = [
        *cautions.of_rig(design, rig, stations.crossfall),
        *cautions.of_spans(rules, pins.at, pins.worst),
        *cautions.of_ground(read, pins.at, pins.height),
        *gate.warnings,
        *cautions.of_slopes(read, stations.at, turns),
    ]
    return Plan(
        read, rig, rules, pins, stations, gate, volumes, _materials(read), turns, told
    )  # fmt: skip


def _pin_places(read: Read, rules: Rules) -> Floats:
    given = read.design.string.pins
    if given:
        return np.array([pin.chainage_m for pin in given])
    ordinate = read.design.string.plan_tolerance_mm * MM
    bends = [
        Span(one.from_m, one.to_m, max(string.chord_for(one.radius_m, ordinate), rules.least))
        for one in read.design.bends
    ]
    wanted = [place for bend in bends for place in (bend.start, bend.end)]
    gaps = [one for one in read.design.obstacles if one.kind == "gap"]
    wanted += [place for gap in gaps for place in (gap.from_m, gap.to_m)]
    return place_pins(read.strip, rules, bends, wanted)


def _pins(read: Read, rules: Rules, at: Floats) -> Pins:
    line, strip = read.design.string, read.strip
    layer = strip.edge(at)
    top = layer + line.above_mm * MM
    ground = read.ground.level(at, line.side) if read.ground else np.full(at.size, math.nan)
    base = np.where(np.isnan(ground), layer, ground)
    length = line.pin_in_ground_mm * MM + (top - base) + line.pin_proud_mm * MM
    worst = np.append(worst_errors(strip, at[:-1], at[1:], rules.pull), math.nan)
    names = [pin.name for pin in line.pins] or [""] * at.size
    names = [name or f"P{number}" for number, name in enumerate(names, start=1)]
    finished = strip.finished(at, strip.edge_at)
    return Pins(at, names, finished, layer, top, ground, length, worst)


def station_places(read: Read, pins: Floats) -> Floats:
    """Even stations, and every pin and knot between them; closer than 1 mm counts once."""
    start, end = read.strip.profile.start, read.strip.profile.end
    step = max(read.design.station_m, (end - start) / MOST_STATIONS)
    even = np.arange(math.ceil(start / step) * step, end, step)
    every = np.concatenate([[start], even, pins, read.strip.knots(), [end]])
    return np.unique(np.round(every[(every >= start) & (every <= end)], 3))


def _stations(read: Read, rules: Rules, pins: Pins) -> Stations:
    strip = read.strip
    at = station_places(read, pins.at)
    bow, sag = string.errors(at, pins.at, strip.edge(at), pins.layer, rules.pull)
    left, right = strip.layer(at, "left"), strip.layer(at, "right")
    width = strip.width(at)
    none = np.full(at.size, math.nan)
    ground = read.ground
    ground_left = ground.level(at, Side.LEFT) if ground else none
    ground_right = ground.level(at, Side.RIGHT) if ground else none
    cut, fill = earthwork.section_areas(ground_left - left, ground_right - right, width)
    line = strip.edge(at) + read.design.string.above_mm * MM - bow - sag
    return Stations(
        at, strip.finished(at, strip.edge_at), left, right, strip.crossfall(at), width, line,
        bow, sag, ground_left, ground_right, cut, fill,
    )  # fmt: skip


def _areas(read: Read, at: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Cut and fill area, and the depth at both edges, where the ground is known."""
    strip, ground = read.strip, read.ground
    if ground is None:
        raise SetoutError("no ground, no volumes")
    left = ground.level(at, Side.LEFT) - strip.layer(at, "left")
    right = ground.level(at, Side.RIGHT) - strip.layer(at, "right")
    return *earthwork.section_areas(left, right, strip.width(at)), left, right


def _volumes(read: Read, at: Floats) -> Volumes | None:
    if read.ground is None:
        return None
    known = at[~np.isnan(_areas(read, at)[2])]
    if known.size < 2:
        return None
    cut, fill, left, right = _areas(read, known)
    middle = 0.5 * (known[:-1] + known[1:])
    cut_mid, fill_mid, _, _ = _areas(read, middle)
    depths = np.concatenate([left, right, [0.0]])
    return Volumes(
        float(earthwork.end_area_volumes(known, cut).sum()),
        float(earthwork.end_area_volumes(known, fill).sum()),
        float(earthwork.prismoidal_volumes(known, cut, cut_mid).sum()),
        float(earthwork.prismoidal_volumes(known, fill, fill_mid).sum()),
        float(depths.max()), float(-depths.min()),
    )  # fmt: skip


def _materials(read: Read) -> list[tuple[str, float, float]]:
    """Volume of each layer over the whole strip, m3, compacted and loose."""
    strip = read.strip
    at = np.unique(np.concatenate([strip.width.at, [strip.profile.start, strip.profile.end]]))
    at = at[(at >= strip.profile.start) & (at <= strip.profile.end)]
    area = float(np.trapezoid(strip.width(at), at))
    return [(one.name, area * one.thickness, area * one.loose) for one in read.layers
            if one.thickness > 0.0]  # fmt: skip


def _gate(read: Read, rig: Rig, stations: Stations) -> GateFound:
    design = read.design
    line = design.string
    bar = rig.bars.get(line.side) or next(iter(rig.bars.values()))
    things = [
        Seen(one.words, (one.above_mm - line.above_mm) * MM, one.aside_mm * MM)
        for one in design.beside
    ]
    ground = stations.ground_left if line.side is Side.LEFT else stations.ground_right
    over = ground - stations.string
    if not np.all(np.isnan(over)):
        things.append(Seen("the ground under the string", float(np.nanmax(over))))
    return find_gate(
        rig, bar, line.above_mm * MM, pin_sd=line.pin_level_sd_mm * MM,
        pin_proud=line.pin_proud_mm * MM, tolerance=design.tolerance_mm * MM, things=things,
    )  # fmt: skip
