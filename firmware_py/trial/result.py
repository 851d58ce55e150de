"""The result of a trial: one JSON object, and the columns behind it for the picture.

Every metre after the run-in counts, also coasting, held or by hand. Files and screens are an
edge: here lengths are mm and slopes %, and every key says so.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from firmware_py.job import Job
from firmware_py.journal.header import compiled
from firmware_py.messages import Answer, Side
from firmware_py.settings import MM, Rig
from firmware_py.trial import score
from firmware_py.trial.scenario import RUN_IN_M, Scenario
from firmware_py.trial.score import Floats
from firmware_py.trial.scorer import Scorer
from firmware_py.trial.series import Series, make_series
from firmware_py.trial.surface import passes, soil, spots
from firmware_py.trial.troubles import Span, troubles

BEFORE_M = 1.0  # what an estimate was before a pin or stone came into view
WRONG_S = 0.1  # a reference believed in for so long, and not the reference, is a false one
MOSTLY = 0.5  # share of the metres: held for more, a trial has ended in "held"
NOTE = "simulated; prototype, uncertified"


@dataclass(frozen=True)
class Result:
    """`summary` is the JSON object; `series` the columns; `scenario` and `rig` as they were run."""

    summary: dict[str, Any]
    series: Series
    scenario: Scenario
    rig: Rig


def make_result(
    scorer: Scorer, scenario: Scenario, rig: Rig, *, seed: int, controller: str, wall_s: float,
    journal: Path | None, ended: str = "", planned: Sequence[Span] = (),
    job: Job | None = None, passes_s: Sequence[float] = (),
) -> Result:  # fmt: skip
    """Score a finished trial.

    ended: how, if not by driving the whole way; planned: when the script had the machine held;
    passes_s: when each pass was driven off; the last one is scored.
    """
    series = make_series(scorer, rig, RUN_IN_M, job, _last_pass(passes_s))
    seconds = _scored_s(series)
    told = troubles(series, scorer.ticks, ended, planned)
    held = not seconds or score.share(series.held, series.weight) > MOSTLY
    summary: dict[str, Any] = {
        "scenario": scenario.name,
        "words": scenario.words,
        "note": NOTE,
        "controller": controller,
        "rig": rig.name,
        "seed": seed,
        "outcome": "held" if held else "partly graded" if told else "graded",
        "troubles": told,
        "why": scorer.ticks[-1].why,
        "distance_m": float(series.weight.sum()),
        "speed_mps": float(series.weight.sum()) / seconds if seconds else math.nan,
        "direction": scenario.direction,
        "ends": {side.value: _end(scorer, series, side) for side in Side},
    }
    summary |= _reference(series, rig, scenario)
    summary |= _shares(series) | _oil(series)
    summary |= {
        "job": None if job is None else job.name,
        "layer": None if job is None else job.layer,
        "passes": passes(series, scorer.ticks, passes_s),
        "soil": soil(scorer),
        "faults": _faults(scorer, series),
        "refused": _refused(scorer),
        "realtime_factor": float(series.time[-1]) / wall_s,
        "compiled": compiled(),
        "journal": None if journal is None else str(journal),
    }
    return Result(_plain(summary), series, scenario, rig)


def _last_pass(passes_s: Sequence[float]) -> float:
    return passes_s[-1] if len(passes_s) > 1 else 0.0


def _scored_s(series: Series) -> float:
    """Seconds in which metres that count were driven."""
    tick_s = float(series.time[-1]) / max(series.time.size - 1, 1)
    return tick_s * int(np.count_nonzero(series.weight > 0.0))


def _end(scorer: Scorer, series: Series, side: Side) -> dict[str, Any]:
    error, weight = series.error[side] / MM, series.weight
    graded = series.graded[side] / MM
    return {
        "guide": scorer.ticks[-1].end(side).guide.value,
        "height_rms_mm": score.rms(error, weight),
        "height_p95_mm": score.percentile(error, weight, 0.95),
        "height_max_mm": score.largest(error, weight),
        "height_bias_mm": score.mean(error, weight),
        "graded_rms_mm": score.rms(graded, weight),
        "low_spots": spots(series, side, low=True),
        "high_spots": spots(series, side, low=False),
    }


def _reference(series: Series, rig: Rig, scenario: Scenario) -> dict[str, Any]:
    """All that needs a bar: errors against the reference, lateral, excursions, health."""
    weight = series.weight
    own, off = series.reference_error / MM, series.crossfall - series.crossfall_target
    dead_s = rig.valves.dead_time_ms * MM if rig.valves is not None else math.nan
    record = own[_from_first(weight) :]
    ticks = round(dead_s * rig.control.tick_hz) if rig.valves is not None else 0
    return {
        "guided_end": None if series.guided is None else series.guided.value,
        "string_rms_mm": score.rms(own, weight),
        "string_rms_about_mean_mm": score.spread(own, weight),
        "string_p95_mm": score.percentile(own, weight, 0.95),
        "estimate_rms_mm": score.rms(series.estimate_gap / MM, weight),
        "crossfall_rms_pct": 100.0 * score.rms(off, weight),
        "crossfall_bias_pct": 100.0 * score.mean(off, weight),
        "lateral_rms_mm": score.rms(series.lateral_gap / MM, weight),
        "steering_rms_mm": score.rms(series.lateral / MM, weight),
        **_excursions(series, scenario),
        "loop_health": score.loop_health(record, ticks),
        "dead_time_s": dead_s,
        "loop_health_record_s": record.size / rig.control.tick_hz,
    }


def _from_first(weight: Floats) -> int:
    counted = np.flatnonzero(weight > 0.0)
    return int(counted[0]) if counted.size else weight.size


def _excursions(series: Series, scenario: Scenario) -> dict[str, Any]:
    """What pins, windrows and stones do to the estimate, and the same measure between them."""
    beside = None if series.guided is None else scenario.beside(series.guided)
    pins = beside is not None and beside.pins
    zones = [zone for zone in series.zones if pins or zone.what != "pin"]
    first = _from_first(series.weight)
    gap, along = series.estimate_gap[first:], series.chainage[first:]
    spans = [(zone.start_m, zone.end_m) for zone in zones]
    if scenario.direction == "against":
        zones = zones[::-1]
        along, spans = -along, [(-zone.end_m, -zone.start_m) for zone in zones]
    found = score.excursion(gap, along, spans, BEFORE_M)
    clear = score.excursion(gap, along, _between(spans), BEFORE_M)
    seen = [zone.what for zone, size in zip(zones, found, strict=True) if np.isfinite(size)]
    return {
        "excursion_mm": _most(found) / MM,
        "excursion_elsewhere_mm": _most(clear) / MM,
        "disturbances": {what: seen.count(what) for what in sorted(set(seen))},
    }


def _most(sizes: Floats) -> float:
    known = sizes[np.isfinite(sizes)]
    return float(known.max()) if known.size else math.nan


def _between(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches as long as a pin's zone in which no object is in view."""
    out, free = [], -math.inf
    for start, end in spans:
        at = free
        while math.isfinite(at) and at + 0.8 <= start:
            out.append((at, at + 0.8))
            at += 0.8
        free = max(free, end)
    return out


def _shares(series: Series) -> dict[str, Any]:
    weight = series.weight
    tick_hz = (series.time.size - 1) / float(series.time[-1])
    least = math.floor(WRONG_S * tick_hz) + 1
    wrong = [score.episodes(mask, least) for mask in series.wrong.values()]
    return {
        "false_references": sum(wrong),
        "reference_lost_pct": 100.0 * score.share(series.lost, weight),
        "reference_out_of_view_pct": 100.0 * score.share(~series.in_view, weight),
        "held_pct": 100.0 * score.share(series.held, weight),
        "by_hand_pct": 100.0 * score.share(series.by_hand, weight),
        "capped_pct": 100.0 * score.share(series.capped, weight),
    }


def _oil(series: Series) -> dict[str, Any]:
    """Changes of the oil's direction, over the whole time from the run-in to the end."""
    first = _from_first(series.weight)
    whole = float(series.time[-1] - series.time[first]) if first < series.time.size else 0.0
    ends = {
        side.value: score.reversals(series.oil[side][first:]) / whole if whole else math.nan
        for side in Side
    }
    return {"reversals_per_s": max(ends.values()), "reversals_per_s_ends": ends}


def _faults(scorer: Scorer, series: Series) -> dict[str, float]:
    """Seconds that each fault was active, from the first automatic tick on."""
    engaged = np.flatnonzero(series.automatic)
    if not engaged.size:
        return {}
    tick_s = float(series.time[-1]) / max(series.time.size - 1, 1)
    counts: dict[str, int] = {}
    for tick in scorer.ticks[int(engaged[0]) :]:
        for name in tick.faults:
            counts[name] = counts.get(name, 0) + 1
    return {name: n * tick_s for name, n in sorted(counts.items())}


def _refused(scorer: Scorer) -> list[str]:
    """The reasons, each once, in order; how often, when it was more than once."""
    answers: list[Answer] = [answer for tick in scorer.ticks for answer in tick.answers]
    counts = Counter(answer.reason for answer in answers if not answer.done)
    return [why if n == 1 else f"{why} ({n} times)" for why, n in counts.items()]


def _plain(value: Any) -> Any:
    """As JSON can hold it: no NaN, no numpy, four digits after the point."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else None
    return value
