"""Everything that the report says, as plain values: for the page, and as JSON. mm, %, m and s.

Keys carry their unit. What is not known is None. Left and right look up chainage.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from firmware_py.asgraded import happenings
from firmware_py.asgraded.build import Built
from firmware_py.asgraded.chainage import DISTANCE_WORDS, Along
from firmware_py.asgraded.columns import Floats
from firmware_py.asgraded.fact_rows import happening_rows
from firmware_py.asgraded.figures import Figures, Stretch, beyond, figures, unknown
from firmware_py.asgraded.levels import Compared
from firmware_py.asgraded.obstacles import clear, places, words
from firmware_py.asgraded.straightedge import LENGTH_M, Laid, lay
from firmware_py.commission.estimate import K
from firmware_py.commission.shares import Share, total
from firmware_py.messages import SIDES, Mode, Side

SCHEMA = 1  # of the JSON object
MM, PCT = 1e3, 100.0  # from m and from a ratio
NOTES = (
    "This is the machine's own record: what its controller believed that the cutting edge did.",
    "It is not an independent survey, and nobody has certified the machine or this report.",
    "It speaks of the cutting edge, not of the soil behind it, which may be torn or missing.",
    "Levels that matter are checked with another instrument; the report takes check levels in.",
)


def facts(built: Built, compared: Compared | None = None) -> dict[str, Any]:
    """All facts of a report."""
    rows, job = built.stations, built.job
    told = {
        "schema": SCHEMA,
        "job": None if job is None else job.name,
        "layer": None if job is None else job.layer,
        "by": "time" if built.by_time else "chainage",
        "from_m": None if built.by_time else float(rows.chainage[0] - built.step / 2),
        "to_m": None if built.by_time else float(rows.chainage[-1] + built.step / 2),
        "tolerance_mm": MM * built.tolerance,
        "crossfall_tolerance_pct": PCT * built.crossfall_tolerance,
        "tolerance_source": "the job" if job else "assumed",
        "simulated": any(trip.run.notes.get("simulated") == "yes" for trip in built.trips),
        "notes": list(NOTES),
        "logs": [_log(trip) for trip in built.trips],
        "ends": {side.value: _end(built, side) for side in SIDES},
        "crossfall": _figures(crossfall_figures(built), "pct", PCT),
        "straightedge": _straightedge(built),
        "obstacles": _obstacles(built),
        "unknown": _unknown(built),
        "uncertainty": [
            _share(one) for one in (*built.shares, total("all, combined", built.shares))
        ],
        "check_levels": None if compared is None else _compared(compared),
        "checks_on_the_way": [_check(trip, one) for trip in built.trips for one in trip.run.checks],
    }
    found: dict[str, Any] = plain(told | happening_rows(built))
    return found


def _log(trip: Along) -> dict[str, Any]:
    run, c = trip.run, trip.columns
    return {
        "name": run.name, "started": run.started, "rig": run.settings.get("name", ""),
        "notes": run.notes, "versions": run.versions,
        "length_s": float(c.time[-1] - c.time[0]) + run.tick_s,
        "driven_m": None if trip.by_time else float(trip.step.sum()),
        "graded_m": None if trip.by_time else float(trip.step[trip.graded].sum()),
        "passes": len(set(trip.part[trip.graded].tolist())),
        "against_chainage": run.against,
        "automatic_pct": PCT * float(c.modes(Mode.AUTO).mean()),
        "coasting_pct": PCT * happenings.coasted(trip),
        "lost": list(run.lost),
        "refused": list(run.refused),
    }  # fmt: skip


def end_figures(built: Built, side: Side) -> Figures:
    """Of one end's height error, listed obstacles left out."""
    rows = built.stations.rows(clear(built))
    return figures(rows.chainage, rows.error(side), rows.u(side), built.tolerance)


def crossfall_figures(built: Built) -> Figures:
    """Of the crossfall's error, listed obstacles left out."""
    rows = built.stations.rows(clear(built))
    return figures(rows.chainage, rows.crossfall, rows.crossfall_u, built.crossfall_tolerance)


def _figures(one: Figures, unit: str, scale: float) -> dict[str, Any]:
    return {
        "stations": one.stations, "known": one.known, f"tolerance_{unit}": scale * one.tolerance,
        "within_pct": PCT * one.within, "surely_within_pct": PCT * one.surely_within,
        "surely_beyond_pct": PCT * one.surely_beyond, f"mean_{unit}": scale * one.mean,
        f"rms_{unit}": scale * one.rms, f"p95_{unit}": scale * one.p95,
        f"worst_{unit}": scale * one.worst, "worst_at_m": one.worst_at,
        f"half_width_{unit}": scale * one.half_width,
        "expected_within_pct": PCT * one.expected_within,
        f"expected_rms_{unit}": scale * one.expected_rms,
    }  # fmt: skip


def _end(built: Built, side: Side) -> dict[str, Any]:
    rows = built.stations
    told = _figures(end_figures(built, side), "mm", MM)
    told["led_by"] = _led_by(built.last, side)
    offset = rows.left_offset if side is Side.LEFT else rows.right_offset
    known = offset[np.isfinite(offset)]
    told["offset_least_mm"] = MM * float(known.min()) if known.size else None
    told["offset_most_mm"] = MM * float(known.max()) if known.size else None
    for name, sign in (("high", 1), ("low", -1)):
        found = beyond(
            rows.chainage, rows.error(side), rows.u(side), built.tolerance, step=built.step,
            sign=sign,
        )  # fmt: skip
        told[name] = [
            {
                "from_m": one.start, "to_m": one.end, "most_mm": MM * one.most,
                "half_width_mm": MM * one.half_width,
                "sure": abs(one.most) - one.half_width > built.tolerance,
                "obstacle": _obstacle(built, one) if name == "high" else "",
            }
            for one in found
        ]  # fmt: skip
    return told


def _obstacle(built: Built, one: Stretch) -> str:
    """The cover or pole of the job that a high stretch lies over; '' for none."""
    found = [] if built.job is None or built.by_time else built.job.obstacles
    for obstacle in found:
        if obstacle.kind != "gap" and one.start < obstacle.to_m and one.end > obstacle.from_m:
            return obstacle.words or obstacle.kind
    return ""


def _led_by(trip: Along, side: Side) -> str:
    own = side.other if trip.run.against else side
    return str(trip.run.settings.get(own.value, {}).get("guide", ""))


def profile(built: Built, side: Side) -> Floats:
    """What the straightedge lies on: the design's level, where a job has one, and the error, m.

    NaN over listed obstacles: no straightedge is laid there."""
    rows = built.stations
    level = rows.level(side)
    shape: Floats = np.where(np.isfinite(level), level, 0.0)
    if np.isfinite(level).any() and not np.isfinite(level).all():
        shape = level
    out: Floats = np.where(clear(built), rows.error(side) + shape, np.nan)
    return out


def laid(built: Built, side: Side) -> Laid:
    """The straightedge along one end's path."""
    return lay(built.stations.chainage, profile(built, side))


def _straightedge(built: Built) -> dict[str, Any]:
    if built.by_time:
        return {"left_out": DISTANCE_WORDS, "ends": {}}
    ends = {}
    for side in SIDES:
        found = laid(built, side)
        if not found.deviation.size:
            continue
        worst = int(np.argmax(found.deviation))
        ends[side.value] = {
            "laid": found.deviation.size, "most_mm": MM * float(found.deviation[worst]),
            "most_at_m": float(found.worst_at[worst]),
            "p95_mm": MM * float(np.quantile(found.deviation, 0.95)),
        }  # fmt: skip
    if not ends:
        words = f"Nowhere are {LENGTH_M:g} m of the edge's path known in one piece."
        return {"left_out": words, "ends": {}}
    return {"left_out": None, "length_m": LENGTH_M, "ends": ends}


def _obstacles(built: Built) -> list[dict[str, Any]]:
    """The places that the figures leave out, and how far the edge was over its level there."""
    out = []
    for place in places(built):
        most = {side: _highest(built.stations.error(side)[place.rows]) for side in SIDES}
        out.append({
            "words": words(place), "from_m": place.start, "to_m": place.end,
            "stations": place.rows.stop - place.rows.start,
            **{f"{side.value}_most_mm": MM * height for side, height in most.items()},
        })  # fmt: skip
    return out


def _highest(error: Floats) -> float:
    known = error[np.isfinite(error)]
    return float(known.max()) if known.size else math.nan


def _unknown(built: Built) -> list[dict[str, float]]:
    rows = built.stations
    both = rows.left + rows.right
    found = unknown(rows.chainage, both, built.step)
    return [{"from_m": start, "to_m": end} for start, end in found]


def _share(one: Share[float]) -> dict[str, Any]:
    return {
        "name": one.name, "source": one.source, "led_mm": MM * one.led, "other_mm": MM * one.other,
        "crossfall_pct": PCT * one.crossfall, "led_k2_mm": K * MM * one.led,
        "other_k2_mm": K * MM * one.other, "crossfall_k2_pct": K * PCT * one.crossfall,
    }  # fmt: skip


def _compared(found: Compared) -> dict[str, Any]:
    return {
        "compared": len(found.levels), "missed": found.missed,
        "figures": [
            {
                "side": "both" if one.side is None else one.side.value, "n": one.n,
                "bias_mm": MM * one.bias, "bias_k2_mm": MM * one.bias_half,
                "spread_mm": MM * one.spread, "covered_pct": PCT * one.covered,
            }
            for one in found.figures
        ],
        "levels": [
            {"chainage_m": level.chainage, "side": level.side.value, "off_mm": MM * off,
             "half_width_mm": K * MM * u}
            for level, off, u in zip(found.levels, found.off, found.u, strict=True)
        ],
    }  # fmt: skip


def _check(trip: Along, check: Any) -> dict[str, Any]:
    side = check.end.other if trip.run.against else check.end
    return {
        "side": side.value, "wrong_mm": MM * check.wrong_m, "measured_mm": MM * check.measured_m,
        "expected_mm": MM * check.expected_m, "distance_m": check.distance_m,
    }  # fmt: skip


def plain(value: Any) -> Any:
    """As JSON can hold it: no NaN, no numpy, six digits after the point."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return round(float(value), 6) if math.isfinite(value) else None
    return value
