"""The sheet to print: one HTML file that asks for nothing, from a plan. Same plan, same bytes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib import resources

import numpy as np

from firmware_py import __version__
from firmware_py.setout.drawing import Picture, cross_section, long_section, string_errors
from firmware_py.setout.plan import Plan
from firmware_py.settings import MM

MOST_ROWS = 400  # pins and stations in the sheet; the CSV files have them all
PIN_STEP = 0.010  # m; a pin is sawn or bought to this, upwards


@dataclass(frozen=True)
class Row:
    """A row of a table, as its cells' texts."""

    cells: list[str]


def sheet_html(plan: Plan) -> str:
    """The whole page."""
    import jinja2

    folder = resources.files("firmware_py") / "setout"
    source = (folder / "sheet.html").read_text(encoding="utf-8")
    page = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return page.from_string(source).render(_values(plan)) + "\n"


def _values(plan: Plan) -> dict[str, object]:
    design, strip = plan.read.design, plan.read.strip
    layer = plan.read.layer
    return {
        "version": __version__, "design": design, "side": design.string.side.value,
        "start": f"{strip.profile.start:g}", "end": f"{strip.profile.end:g}",
        "below": f"{1e3 * layer.below:.0f}", "proud": f"{1e3 * layer.proud:.0f}",
        "layers": plan.read.layers, "warnings": plan.warnings, "notes": plan.read.notes,
        "pins": _pin_rows(plan), "stations": _station_rows(plan), "gate": plan.gate,
        "cuts": _sections(plan), "long": long_section(plan), "errors": string_errors(plan),
        "facts": _facts(plan), "most": MOST_ROWS, "pin_count": plan.pins.at.size,
        "station_count": plan.stations.at.size, "turning": strip.profile.turning_points(),
        "transitions": plan.transitions, "volumes": plan.volumes, "materials": plan.materials,
    }  # fmt: skip


def _mm(value: float, digits: int = 0) -> str:
    return "" if math.isnan(value) else f"{round(value / MM, digits) + 0.0:.{digits}f}"


def _m(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.3f}"


def _cut(value: float) -> str:
    """Cut or fill in words."""
    if math.isnan(value):
        return ""
    return f"{'cut' if value >= 0 else 'fill'} {abs(value) / MM:.0f}"


def _pin_rows(plan: Plan) -> list[Row]:
    pins = plan.pins
    rows = []
    for k in range(min(pins.at.size, MOST_ROWS)):
        length = math.ceil(float(pins.length[k]) / PIN_STEP - 1e-9) * PIN_STEP
        rows.append(Row([
            pins.names[k], f"{pins.at[k]:.2f}", _m(pins.string[k]), _mm(pins.height[k]),
            _mm(length), _cut(pins.cut[k]), _m(pins.layer[k]), _m(pins.finished[k]),
            _m(pins.ground[k]),
        ]))  # fmt: skip
    return rows


def _station_rows(plan: Plan) -> list[Row]:
    s = plan.stations
    rows = []
    for k in range(min(s.at.size, MOST_ROWS)):
        rows.append(Row([
            f"{s.at[k]:.2f}", _m(s.left[k]), _m(s.right[k]), f"{100 * s.crossfall[k]:.2f}",
            _mm(s.bow[k], 1), _mm(s.sag[k], 1), _mm(s.offset[k], 1),
            _cut(s.ground_left[k] - s.left[k]), _cut(s.ground_right[k] - s.right[k]),
        ]))  # fmt: skip
    return rows


def _sections(plan: Plan) -> list[Picture]:
    """Cross-sections at the start and where each of the first transitions has ended."""
    at = plan.stations.at
    places = [float(at[0]), *(one.end for one in plan.transitions[:2])]
    rows = sorted({int(np.argmin(np.abs(at - place))) for place in places})
    return [cross_section(plan, row) for row in rows]


def _facts(plan: Plan) -> list[tuple[str, str]]:
    """What stands at the top of the sheet."""
    design, pins = plan.read.design, plan.pins
    line, spans = design.string, np.diff(pins.at)
    return [
        ("Layer worked on", design.worked_on),
        ("String", f"{line.side.value} (looking up chainage), {line.above_mm:g} mm above the "
                   f"layer's edge, {line.beside_mm:g} mm off it"),
        ("Pins", f"{pins.at.size}, {spans.min():.2f} to {spans.max():.2f} m apart; top "
                 f"{line.pin_proud_mm:g} mm above the string"),
        ("Line", f"{line.line_mass_g_per_m:g} g/m, pulled to {line.tension_n:g} N"),
        ("String errs", f"{plan.worst / MM:.1f} mm at most between pins; {line.tolerance_mm:g} "
                        "allowed; the job file takes it out"),
        ("Range gate", f"near {plan.gate.near / MM:.0f} mm, far {plan.gate.far / MM:.0f} mm; the "
                       f"bar hangs {plan.gate.clearance / MM:.0f} mm above the string"),
        ("Tolerance", f"{design.tolerance_mm:g} mm in height, "
                      f"{design.crossfall_tolerance_pct:g} % in crossfall"),
    ]  # fmt: skip
