"""The job file that `linehold run` takes, as text: firmware_py/job.py reads it back."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np

from firmware_py.job import MOST_STATIONS, Obstacle
from firmware_py.setout import string
from firmware_py.setout.alignment import Floats, SetoutError
from firmware_py.setout.plan import Plan
from firmware_py.settings import MM

SAMPLES = 48  # of each span: where straight lines are held against what they stand for
PIECES = (1, 2, 3, 4, 6, 8, 12, 16, 24, 48)  # straight pieces of a span, the fewest that will do
CLOSE = np.array([0.1e-3, 0.2e-3, 1e-4])  # m, m, ratio: offset, level, crossfall may differ by
STATION = "  {chainage_m = %.3f, offset_mm = %.2f, crossfall_pct = %.3f, level_m = %.4f%s},"
CHUNK = 10_000  # spans at once: memory


def schedule(plan: Plan) -> tuple[Floats, Floats]:
    """Chainages and rows (offset m, level m, crossfall): straight lines between them will do."""
    edges = _edges(plan)
    parts = [
        _refined(plan, edges[k : k + CHUNK + 1]) for k in range(0, max(1, edges.size - 1), CHUNK)
    ]
    at = np.unique(np.round(np.concatenate([*parts, edges[-1:]]), 3))
    if at.size > MOST_STATIONS:
        words = f"{at.size} stations would be needed; a job file holds {MOST_STATIONS}"
        raise SetoutError(f"{words}: split the job")
    return at, _rows(plan, at)


def _rows(plan: Plan, at: Floats) -> Floats:
    strip, pins = plan.read.strip, plan.pins
    level = strip.edge(at)
    bow, sag = string.errors(at, pins.at, level, pins.layer, plan.rules.pull)
    return np.stack([bow + sag, level, strip.crossfall(at)], axis=1)


def _edges(plan: Plan) -> Floats:
    """Pins, and every place where level or crossfall turns sharply enough to matter."""
    strip = plan.read.strip
    at, jump = strip.kinks()
    sharp = at[np.abs(jump) * plan.rules.most / 4.0 > CLOSE[0]]
    cross = strip.crossfall.at
    inside = cross[(cross > strip.profile.start) & (cross < strip.profile.end)]
    reach = 0.5 * plan.rules.least
    turn = strip.crossfall(inside - reach) + strip.crossfall(inside + reach)
    turns = inside[np.abs(turn - 2.0 * strip.crossfall(inside)) > CLOSE[2]]
    ends = np.array([strip.profile.start, strip.profile.end])
    return np.unique(np.round(np.concatenate([plan.pins.at, sharp, turns, ends]), 3))


def _refined(plan: Plan, edges: Floats) -> Floats:
    """Starts of the straight pieces of each span between edges."""
    start, span = edges[:-1], np.diff(edges)
    at = start[:, None] + span[:, None] * np.linspace(0.0, 1.0, SAMPLES + 1)
    rows = _rows(plan, at.ravel()).reshape(*at.shape, 3)
    todo, found = np.arange(start.size), [start[:0]]
    for pieces in PIECES:
        good = _off(rows[todo], pieces) <= 1.0 if pieces < SAMPLES else np.full(todo.size, True)
        done = todo[good]
        shares = np.arange(pieces) / pieces
        found.append((start[done, None] + span[done, None] * shares).ravel())
        todo = todo[~good]
    return np.concatenate(found)


def _off(rows: Floats, pieces: int) -> Floats:
    """How far straight pieces are off the samples (spans x samples x 3), in units of CLOSE."""
    each = SAMPLES // pieces
    share = (np.arange(each) / each)[:, None]
    nodes = rows[:, ::each]
    one, two = nodes[:, :-1, None], nodes[:, 1:, None]
    line = (one + (two - one) * share).reshape(rows.shape[0], SAMPLES, 3)
    out: Floats = (np.abs(rows[:, :-1] - line) / CLOSE).max(axis=(1, 2), initial=0.0)
    return out


def job_toml(plan: Plan) -> str:
    """The whole job file."""
    return "\n".join(_lines(plan)) + "\n"


def _lines(plan: Plan) -> Iterator[str]:
    design, strip = plan.read.design, plan.read.strip
    line = design.string
    yield "# Written by linehold setout. offset_mm: the layer's edge above the string's own line."
    yield "job_schema = 1"
    yield f"name = {_text(design.name)}"
    yield f"layer = {_text(design.worked_on)}"
    yield f'string_side = "{line.side.value}"'
    yield f"string_above_mm = {line.above_mm:g}"
    yield f"width_m = {float(strip.width(np.array([strip.profile.start]))[0]):g}"
    yield f"tolerance_mm = {design.tolerance_mm:g}"
    yield f"crossfall_tolerance_pct = {design.crossfall_tolerance_pct:g}"
    at, rows = schedule(plan)
    yield "stations = ["
    mm = np.round(rows[:, 0] / MM, 2) + 0.0  # never -0
    pct = np.round(100 * rows[:, 2], 3) + 0.0
    columns = at.tolist(), mm.tolist(), pct.tolist(), rows[:, 1].tolist(), _ground(plan, at, rows)
    for row in zip(*columns, strict=True):
        yield STATION % row
    yield "]"
    yield "pins = ["
    for x, name in zip(plan.pins.at.tolist(), plan.pins.names, strict=True):
        yield f"  {{chainage_m = {x:.3f}, name = {_text(name)}}},"
    yield "]"
    yield f"cut = {{each_mm = {design.cut.each_mm:g}}}"
    yield (f"gate = {{near_mm = {plan.gate.near / MM:.0f}, far_mm = {plan.gate.far / MM:.0f}}}")
    for obstacle in design.obstacles:
        yield from _obstacle(obstacle)


def _ground(plan: Plan, at: Floats, rows: Floats) -> list[str]:
    """The present ground over the layer by station, at the edge where it is higher; or nothing."""
    if plan.read.ground is None:
        return [""] * at.size
    side = plan.read.design.string.side
    fall = -side.sign * plan.read.strip.width(at) * rows[:, 2]  # from the string to the other edge
    here = plan.read.ground.level(at, side) - rows[:, 1]
    there = plan.read.ground.level(at, side.other) - rows[:, 1] - fall
    over = np.round(np.fmax(here, there) / MM, 1) + 0.0
    return [f", ground_mm = {mm:g}" if np.isfinite(mm) else "" for mm in over.tolist()]


def _obstacle(obstacle: Obstacle) -> Iterator[str]:
    yield ""
    yield "[[obstacles]]"
    yield f'kind = "{obstacle.kind}"'
    yield f"from_m = {obstacle.from_m!r}"
    yield f"to_m = {obstacle.to_m!r}"
    yield f"lift_mm = {obstacle.lift_mm:g}"
    yield f"words = {_text(obstacle.words)}"


def _text(text: str) -> str:
    """A text as TOML has it; JSON's escapes are TOML's, but for DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
