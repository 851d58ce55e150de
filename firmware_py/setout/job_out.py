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

STEP = 0.25  # m between the places where the target is looked at
CLOSE = np.array([0.05e-3, 0.2e-3, 0.5e-4])  # m, m, ratio: offset, level, crossfall left out by


def schedule(plan: Plan) -> tuple[Floats, Floats]:
    """Chainages and rows (offset m, level m, crossfall), thinned so that straight lines will do."""
    strip, pins = plan.read.strip, plan.pins
    start, end = strip.profile.start, strip.profile.end
    step = max(STEP, (end - start) / (4 * MOST_STATIONS))
    every = np.concatenate([np.arange(start, end, step), pins.at, strip.knots(), [end]])
    at = np.unique(np.round(every[(every >= start) & (every <= end)], 3))
    level = strip.edge(at)
    bow, sag = string.errors(at, pins.at, level, pins.layer, plan.rules.pull)
    rows = np.stack([bow + sag, level, strip.crossfall(at)], axis=1)
    kept = _thinned(at, rows, np.isin(at, np.round(pins.at, 3)))
    if kept.size > MOST_STATIONS:
        words = f"{kept.size} stations would be needed; a job file holds {MOST_STATIONS}"
        raise SetoutError(f"{words}: split the job")
    return at[kept], rows[kept]


def _thinned(at: Floats, rows: Floats, wanted: np.ndarray) -> np.ndarray:
    """Indices to keep: straight lines between them stay within CLOSE (Douglas and Peucker)."""
    wanted = wanted.copy()
    wanted[[0, -1]] = True
    fixed = np.flatnonzero(wanted)
    keep = set(fixed.tolist())
    todo = list(zip(fixed[:-1].tolist(), fixed[1:].tolist(), strict=True))
    while todo:
        one, two = todo.pop()
        if two - one < 2:
            continue
        share = ((at[one + 1 : two] - at[one]) / (at[two] - at[one]))[:, None]
        off = np.abs(rows[one + 1 : two] - rows[one] - share * (rows[two] - rows[one])) / CLOSE
        worst = off.max(axis=1)
        k = int(np.argmax(worst))
        if worst[k] > 1.0:
            keep.add(one + 1 + k)
            todo += [(one, one + 1 + k), (one + 1 + k, two)]
    return np.array(sorted(keep))


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
    for x, (offset, level, crossfall) in zip(at.tolist(), rows.tolist(), strict=True):
        yield (
            f"  {{chainage_m = {x:.3f}, offset_mm = {_zero(offset / MM, 2)}, "
            f"crossfall_pct = {_zero(100 * crossfall, 3)}, level_m = {level:.4f}}},"
        )
    yield "]"
    yield "pins = ["
    for x, name in zip(plan.pins.at.tolist(), plan.pins.names, strict=True):
        yield f"  {{chainage_m = {x:.3f}, name = {_text(name)}}},"
    yield "]"
    yield f"cut = {{each_mm = {design.cut.each_mm:g}}}"
    yield (f"gate = {{near_mm = {plan.gate.near / MM:.0f}, far_mm = {plan.gate.far / MM:.0f}}}")
    for obstacle in design.obstacles:
        yield from _obstacle(obstacle)


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


def _zero(value: float, digits: int) -> str:
    """Rounded, and never -0."""
    return f"{round(value, digits) + 0.0:.{digits}f}"
