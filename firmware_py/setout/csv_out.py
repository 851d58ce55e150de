"""The pin schedule and the stations as CSV text. m for levels, mm for what is small, % for slopes.

An empty cell is "not known". cut_mm > 0: the ground lies above the layer; < 0: fill.
"""

from __future__ import annotations

import csv
import io
import math

import numpy as np

from firmware_py.setout.alignment import Floats
from firmware_py.setout.plan import Plan
from firmware_py.settings import MM

Column = tuple[str, Floats | list[str], int]  # name, values, digits


def pins_csv(plan: Plan) -> str:
    """One line a pin; the layer worked on stands in every line."""
    pins = plan.pins
    return _csv([
        ("pin", pins.names, 0), ("layer", [plan.read.design.worked_on] * pins.at.size, 0),
        ("chainage_m", pins.at, 3), ("finished_level_m", pins.finished, 4),
        ("layer_level_m", pins.layer, 4), ("string_level_m", pins.string, 4),
        ("ground_level_m", pins.ground, 4), ("string_above_ground_mm", pins.height / MM, 0),
        ("pin_length_mm", np.ceil(pins.length / MM / 10) * 10, 0), ("cut_mm", pins.cut / MM, 0),
        ("span_error_mm", pins.worst / MM, 2),
    ])  # fmt: skip


def stations_csv(plan: Plan) -> str:
    """One line a station."""
    s = plan.stations
    return _csv([
        ("layer", [plan.read.design.worked_on] * s.at.size, 0), ("chainage_m", s.at, 3),
        ("finished_level_m", s.finished, 4), ("layer_left_m", s.left, 4),
        ("layer_right_m", s.right, 4), ("crossfall_pct", 100 * s.crossfall, 3),
        ("width_m", s.width, 3), ("string_level_m", s.string, 4), ("bow_mm", s.bow / MM, 2),
        ("sag_mm", s.sag / MM, 2), ("offset_mm", s.offset / MM, 2),
        ("ground_left_m", s.ground_left, 4), ("ground_right_m", s.ground_right, 4),
        ("cut_left_mm", (s.ground_left - s.left) / MM, 0),
        ("cut_right_mm", (s.ground_right - s.right) / MM, 0),
        ("cut_area_m2", s.cut_area, 4), ("fill_area_m2", s.fill_area, 4),
    ])  # fmt: skip


def _csv(columns: list[Column]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([name for name, _, _ in columns])
    cells = [values if isinstance(values, list) else _cells(values, digits)
             for _, values, digits in columns]  # fmt: skip
    writer.writerows(zip(*cells, strict=True))
    return out.getvalue()


def _cells(values: Floats, digits: int) -> list[str]:
    """Rounded, never -0; empty for NaN."""
    shape = f"%.{digits}f"
    rounded = (np.round(values, digits) + 0.0).tolist()
    return ["" if math.isnan(one) else shape % one for one in rounded]
