"""The report's files: one page of HTML and the stations as CSV. The rim: it writes files."""

from __future__ import annotations

import base64
import csv
import io
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from firmware_py.asgraded import happenings, plots
from firmware_py.asgraded.build import Built
from firmware_py.asgraded.fact_rows import calibration_rows, setting_rows
from firmware_py.asgraded.obstacles import places, words
from firmware_py.commission.estimate import K
from firmware_py.commission.store import Result
from firmware_py.live.cautions import CAUTIONS
from firmware_py.whole import write_whole

PAGE, TABLE = "report.html", "stations.csv"
SHOWN = 40  # rows of a long list on the page; the JSON object has all


def save(
    built: Built, told: dict[str, Any], folder: Path, results: Sequence[tuple[str, Result]] = ()
) -> tuple[Path, Path]:
    """Write page and table into a folder that is there; their paths."""
    made = {PAGE: render(built, told, results).encode(), TABLE: stations_csv(built).encode()}
    page, table = write_whole(folder, made)
    return page, table


def render(built: Built, told: dict[str, Any], results: Sequence[tuple[str, Result]] = ()) -> str:
    """The page: self-contained, nothing in it is fetched; the same facts give the same bytes."""
    from jinja2 import Environment, StrictUndefined

    text = (resources.files("firmware_py.asgraded") / "page.html").read_text(encoding="utf-8")
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                       lstrip_blocks=True)  # fmt: skip
    made.filters |= {"n": _number, "signed": _signed, "at": _place(built), "mmss": _minutes}
    return made.from_string(text).render(
        f=told, pictures=_pictures(built, told), cautions=CAUTIONS, shown=SHOWN,
        calibrations=calibration_rows(results), settings=setting_rows(built.last.run.settings),
        title=told["job"] or built.trips[0].run.name,
    )  # fmt: skip


def _pictures(built: Built, told: dict[str, Any]) -> dict[str, str]:
    """Each picture as a data URL."""
    spans = [
        (name, [one for trip in built.trips for one in find(trip)])
        for name, find in (
            ("reference lost", happenings.lost), ("hand on a lever", happenings.hands),
            ("held or neutral", happenings.holds), ("a fault", happenings.faults),
        )
    ]  # fmt: skip
    made = {
        "heights": plots.heights(built), "crossfall": plots.crossfall(built),
        "strip": plots.strip(built, spans),
    }  # fmt: skip
    if not told["straightedge"]["left_out"]:
        made["straightedge"] = plots.straightedge(built)
    return {
        name: "data:image/svg+xml;base64," + base64.b64encode(svg).decode()
        for name, svg in made.items()
    }


def _number(value: float | None, digits: int = 1) -> str:
    return "not known" if value is None else f"{value:.{digits}f}"


def _signed(value: float | None, digits: int = 1) -> str:
    return "not known" if value is None else f"{value:+z.{digits}f}"


def _minutes(seconds: float) -> str:
    """Seconds as minutes and seconds."""
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60:02d} s" if whole >= 60 else f"{seconds:.1f} s"


def _place(built: Built) -> Any:
    unit = "s" if built.by_time else "m"
    return lambda value: "not known" if value is None else f"{value:.1f} {unit}"


COLUMNS = (
    "left_error_mm", "left_k2_mm", "right_error_mm", "right_k2_mm", "crossfall_error_pct",
    "crossfall_k2_pct", "crossfall_asked_pct", "left_offset_mm", "right_offset_mm",
    "left_level_asked_m", "right_level_asked_m", "log", "pass", "time_s", "listed_obstacle",
)  # fmt: skip


def stations_csv(built: Built) -> str:
    """Every station: errors with their k = 2 half widths; an empty field is not known."""
    rows, out = built.stations, io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow(("time_since_start_s" if built.by_time else "chainage_m", *COLUMNS))
    numbers = (
        (rows.left, 1e3, 2), (rows.left_u, K * 1e3, 2), (rows.right, 1e3, 2),
        (rows.right_u, K * 1e3, 2), (rows.crossfall, 100.0, 4), (rows.crossfall_u, K * 100.0, 4),
        (rows.crossfall_asked, 100.0, 4), (rows.left_offset, 1e3, 2), (rows.right_offset, 1e3, 2),
        (rows.left_level, 1.0, 4), (rows.right_level, 1.0, 4),
    )  # fmt: skip
    texts = [[_cell(v * scale, digits) for v in column] for column, scale, digits in numbers]
    obstacle = _obstacles(built)
    for row in range(len(rows)):
        trip = built.trips[int(rows.log[row])]
        since = float(rows.time_s[row] - trip.columns.time[0])
        write.writerow((
            f"{rows.chainage[row]:.2f}", *(column[row] for column in texts), trip.run.name,
            int(rows.part[row]) + 1, f"{since:.2f}", obstacle[row],
        ))  # fmt: skip
    return out.getvalue()


def _obstacles(built: Built) -> list[str]:
    """By station: the listed obstacle for which the figures leave it out; '' for none."""
    out = [""] * len(built.stations)
    for place in places(built):
        out[place.rows] = [words(place)] * (place.rows.stop - place.rows.start)
    return out


def _cell(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if np.isfinite(value) else ""
