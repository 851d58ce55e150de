"""Long-section, string errors and cross-section as SVG shapes: numbers in, frozen shapes out.

The template writes them down. Units of the picture are its own; y goes down, as SVG has it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from firmware_py.messages import Side
from firmware_py.setout.alignment import Floats
from firmware_py.setout.plan import Plan
from firmware_py.settings import MM

WIDTH, LEFT, RIGHT = 760.0, 64.0, 10.0
TOP, BOTTOM = 14.0, 30.0
MOST_POINTS = 800  # of one line: more are not seen
MOST_PINS = 150  # drawn; more would be a grey wall
STEPS = (1.0, 2.0, 5.0)


@dataclass(frozen=True)
class Shape:
    """A polyline ("x,y x,y"), a line of text or a filled area, with a class for its looks."""

    kind: str
    looks: str
    points: str = ""
    x: float = 0.0
    y: float = 0.0
    words: str = ""


@dataclass(frozen=True)
class Picture:
    """A drawing of width x height, with words for those who do not see it."""

    width: float
    height: float
    words: str
    shapes: list[Shape] = field(default_factory=list)


@dataclass(frozen=True)
class Axes:
    """Maps chainage (or offset) and height to the picture."""

    x0: float
    x1: float
    y0: float
    y1: float
    height: float
    left: float = LEFT

    def at(self, x: Floats, y: Floats) -> str:
        px = self.left + (x - self.x0) / (self.x1 - self.x0) * (WIDTH - self.left - RIGHT)
        py = TOP + (self.y1 - y) / (self.y1 - self.y0) * (self.height - TOP - BOTTOM)
        return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(px.tolist(), py.tolist(), strict=True))

    def spot(self, x: float, y: float) -> tuple[float, float]:
        a, b = self.at(np.array([x]), np.array([y])).split(",")
        return float(a), float(b)

    def line(self, x: Floats, y: Floats, looks: str) -> Shape:
        known = ~np.isnan(y)
        return Shape("line", looks, self.at(x[known], y[known]))

    def text(self, x: float, y: float, words: str, looks: str, move: tuple[float, float]) -> Shape:
        px, py = self.spot(x, y)
        return Shape("text", looks, x=round(px + move[0], 1), y=round(py + move[1], 1), words=words)


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers between two limits, at most so many."""
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((one * power for one in STEPS if one * power >= raw), 10.0 * power)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _grid(axes: Axes, unit: str, digits: int, along: str = "m") -> list[Shape]:
    shapes = []
    for y in ticks(axes.y0, axes.y1, 5):
        shapes.append(axes.line(np.array([axes.x0, axes.x1]), np.array([y, y]), "grid"))
        shapes.append(axes.text(axes.x0, y, f"{y + 0.0:.{digits}f}", "tick end", (-5.0, 4.0)))
    for x in ticks(axes.x0, axes.x1, 9):
        shapes.append(axes.text(x, axes.y0, f"{x + 0.0:g}", "tick mid", (0.0, 14.0)))
    shapes.append(axes.text(axes.x1, axes.y0, along, "tick end", (0.0, 27.0)))
    shapes.append(axes.text(axes.x0, axes.y1, unit, "tick end", (-5.0, -4.0)))
    return shapes


def _few(at: Floats) -> np.ndarray:
    """Indices of at most MOST_POINTS stations, both ends among them."""
    return np.unique(np.linspace(0, at.size - 1, min(at.size, MOST_POINTS)).astype(int))


def long_section(plan: Plan) -> Picture:
    """Ground, finished level, layer and string with its pins, at the string's edge."""
    s, pins = plan.stations, plan.pins
    k = _few(s.at)
    at = s.at[k]
    layer = (s.left if plan.read.strip.side is Side.LEFT else s.right)[k]
    ground = (s.ground_left if plan.read.strip.side is Side.LEFT else s.ground_right)[k]
    top = pins.string + plan.read.design.string.pin_proud_mm * MM
    every = np.concatenate([layer, ground, s.finished[k], top])
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    pad = max(0.08 * (high - low), 0.05)
    axes = Axes(float(at[0]), float(at[-1]), low - pad, high + pad, 300.0)
    shapes = _grid(axes, "m", 2)
    if not np.all(np.isnan(ground)):
        shapes += _between(axes, at, ground, layer)
        shapes.append(axes.line(at, ground, "ground"))
    shapes += [axes.line(at, s.finished[k], "finished"), axes.line(at, layer, "layer")]
    shown = np.arange(pins.at.size) if pins.at.size <= MOST_PINS else np.zeros(0, int)
    base = np.where(np.isnan(pins.ground), pins.layer, pins.ground)
    for i in shown.tolist():
        x = np.full(2, pins.at[i])
        shapes.append(axes.line(x, np.array([base[i], top[i]]), "pin"))
    shapes.append(axes.line(pins.at, pins.string, "string"))
    for one in plan.read.design.obstacles:
        span = np.array([one.from_m, one.to_m, one.to_m, one.from_m])
        box = np.array([axes.y0, axes.y0, axes.y1, axes.y1])
        shapes.insert(0, Shape("area", "obstacle", axes.at(np.clip(span, axes.x0, axes.x1), box)))
        shapes.append(
            axes.text(one.from_m, axes.y1, one.words or one.kind, "tick end", (-4.0, 10.0))
        )
    words = "Long-section: ground, layer, finished level and string with pins along the chainage"
    return Picture(WIDTH, 300.0, words, shapes)


def _between(axes: Axes, at: Floats, ground: Floats, layer: Floats) -> list[Shape]:
    known = ~np.isnan(ground)
    x = np.concatenate([at[known], at[known][::-1]])
    y = np.concatenate([ground[known], layer[known][::-1]])
    return [Shape("area", "cut", axes.at(x, y))]


def string_errors(plan: Plan) -> Picture:
    """Bow, sag and their sum between pins, mm, and the tolerance."""
    s, mm = plan.stations, 1.0 / MM
    tolerance = plan.rules.tolerance * mm
    k = _few(s.at)
    high = max(float(s.offset.max()) * mm, tolerance)
    low = min(float(s.bow.min()) * mm, float(s.offset.min()) * mm, 0.0)
    pad = 0.1 * (high - low)
    axes = Axes(float(s.at[0]), float(s.at[-1]), low - pad, high + pad, 170.0)
    ends = np.array([axes.x0, axes.x1])
    shapes = _grid(axes, "mm", 1 if high - low < 5 else 0)
    for limit in (tolerance, -tolerance):
        if axes.y0 <= limit <= axes.y1:
            shapes.append(axes.line(ends, np.full(2, limit), "limit"))
    shapes += [
        axes.line(s.at[k], s.bow[k] * mm, "bow"), axes.line(s.at[k], s.sag[k] * mm, "sag"),
        axes.line(s.at[k], s.offset[k] * mm, "layer"),
    ]  # fmt: skip
    words = "What the layer lies above the string's line: bow, sag and both, in mm"
    return Picture(WIDTH, 170.0, words, shapes)


def cross_section(plan: Plan, row: int) -> Picture:
    """The strip looking up chainage at one station: layers, ground, string and its pin."""
    s, line = plan.stations, plan.read.design.string
    x, half = float(s.at[row]), 0.5 * float(s.width[row])
    first = 0 if line.side is Side.LEFT else 1  # the string's edge
    sign = 1.0 if first == 0 else -1.0
    top = float(s.string[row]) + line.pin_proud_mm * MM
    ground = np.array([s.ground_left[row], s.ground_right[row]])
    layer = np.array([s.left[row], s.right[row]])
    edges = layer + plan.read.strip.below
    every = np.array([*edges, *(edges - plan.read.layer.below), *layer, *ground, top])
    reach = half + line.beside_mm * MM + 0.25
    low, high = float(np.nanmin(every)) - 0.05, float(np.nanmax(every)) + 0.03
    axes = Axes(reach, -reach, low, high, 240.0)  # left is drawn on the left
    shapes = _levels(axes)
    make_up = _make_up(plan, axes, half, edges)
    shapes += [shape for shape in make_up if shape.kind == "line"]
    if not np.isnan(ground).any():
        wide = np.array([reach, half, -half, -reach])
        shapes.append(axes.line(wide, ground[[0, 0, 1, 1]], "ground"))
    base = float(ground[first]) if not math.isnan(ground[first]) else float(layer[first])
    pin_at = sign * (half + line.beside_mm * MM)
    shapes += _pin_and_string(axes, pin_at, base, top, float(s.string[row]))
    shapes += [shape for shape in make_up if shape.kind == "text"]
    shapes += _edge_levels(axes, half, layer)
    fall = f"{100 * abs(float(s.crossfall[row])):.2f} % down to the "
    fall += "right" if s.crossfall[row] >= 0 else "left"
    shapes.append(axes.text(0.0, low, f"{2 * half:g} m wide, {fall}", "tick mid", (0.0, 16.0)))
    words = f"At {x:g} m"
    return Picture(WIDTH, 240.0, words, shapes)


def _levels(axes: Axes) -> list[Shape]:
    """Level lines without a scale across: that is drawn to another one."""
    ends = np.array([axes.x0, axes.x1])
    shapes = []
    for y in ticks(axes.y0, axes.y1, 5):
        shapes.append(axes.line(ends, np.array([y, y]), "grid"))
        shapes.append(axes.text(axes.x0, y, f"{y:.2f}", "tick end", (-5.0, 4.0)))
    return shapes


def _make_up(plan: Plan, axes: Axes, half: float, edges: Floats) -> list[Shape]:
    """Tops of the layers as they end, the worked one as it is graded; names on the right."""
    design, both, shapes = plan.read.design, np.array([half, -half]), []
    for one in plan.read.layers:
        worked = one.name == design.worked_on
        below = plan.read.strip.below if worked else one.below
        shapes.append(axes.line(both, edges - below, "layer" if worked else "bed"))
        if one.thickness > 0.0:
            words = f"{one.name} {one.thickness / MM:.0f} mm"
            middle = float(edges[1]) - one.below - 0.5 * one.thickness
            shapes.append(axes.text(-half, middle, words, "tick", (10.0, 4.0)))
    return shapes


def _pin_and_string(axes: Axes, at: float, base: float, top: float, string: float) -> list[Shape]:
    px, py = axes.spot(at, string)
    return [
        axes.line(np.full(2, at), np.array([base, top]), "pin"),
        Shape("dot", "string", x=px, y=py),
        axes.text(at, string, f"string {string:.3f}", "tick", (9.0, 4.0)),
    ]


def _edge_levels(axes: Axes, half: float, layer: Floats) -> list[Shape]:
    left, right = layer.tolist()
    return [
        axes.text(half, left, f"{left:.3f}", "tick strong", (2.0, 15.0)),
        axes.text(-half, right, f"{right:.3f}", "tick strong end", (-2.0, 15.0)),
    ]
