"""Rows of the report's lists as plain values: happenings, valves, calibrations, settings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from firmware_py.asgraded import happenings
from firmware_py.asgraded.build import Built
from firmware_py.asgraded.chainage import Along
from firmware_py.asgraded.effort import effort, health
from firmware_py.commission.estimate import K
from firmware_py.commission.store import Result
from firmware_py.messages import SIDES

PCT = 100.0


def happening_rows(built: Built) -> dict[str, Any]:
    """What happened on the way, what was asked for, the valves and the loop."""
    out: dict[str, Any] = {}
    for name, find in (
        ("reference_lost", happenings.lost), ("by_hand", happenings.hands),
        ("held", happenings.holds), ("faults", happenings.faults),
    ):  # fmt: skip
        every = [one for at, trip in enumerate(built.trips) for one in find(trip, at)]
        out[name] = [_span(built, one) for one in every]
    words = [one for at, trip in enumerate(built.trips) for one in happenings.words(trip, at)]
    out["asked"] = [
        {"log": built.trips[one.log].run.name, "at_m": one.at, "time_s": one.time_s,
         "words": one.words}
        for one in words
    ]  # fmt: skip
    out["valves"] = _effort(built.last)
    out["loop_health"] = _health(built.last)
    return out


def _span(built: Built, one: happenings.Span) -> dict[str, Any]:
    return {
        "what": one.what, "from_m": one.start, "to_m": one.end, "time_s": one.start_s,
        "seconds": one.seconds, "words": one.words, "log": built.trips[one.log].run.name,
    }  # fmt: skip


def _effort(trip: Along) -> dict[str, Any] | None:
    found = {side.value: effort(trip, side) for side in SIDES}
    if not any(found.values()):
        return None
    return {
        side: {
            "moving_pct": PCT * one.moving, "mean_command_pct": PCT * one.mean_command,
            "most_command_pct": PCT * one.most, "reversals_per_s": one.reversals_per_s,
            "capped_pct": PCT * one.capped,
        }
        for side, one in found.items() if one is not None
    }  # fmt: skip


def _health(trip: Along) -> dict[str, Any] | None:
    found = health(trip)
    if found is None:
        return None
    return {
        "dead_time_s": found.dead_s,
        "ends": {
            side.value: {"index": found.index[side], "record_s": found.record_s[side]}
            for side in SIDES
        },
    }


def calibration_rows(results: Sequence[tuple[str, Result]]) -> list[dict[str, Any]]:
    """Stored results as rows, each value with its k = 2 interval."""
    return [
        {
            "file": name, "kind": result.kind, "device": result.device, "value": key,
            "told": f"{value.value:.6g} ± {K * value.u:.2g} {value.unit}",
            "when": result.wall or f"{result.engaged_h:.1f} engaged hours",
            "temperature_c": result.temperature_c,
        }
        for name, result in results
        for key, value in result.values.items()
    ]  # fmt: skip


def setting_rows(settings: dict[str, Any]) -> list[tuple[str, str]]:
    """Every setting in force by its dotted key."""
    return list(_walk("", settings))


def _walk(above: str, table: dict[str, Any]) -> Iterable[tuple[str, str]]:
    for key, value in table.items():
        name = f"{above}.{key}" if above else key
        if isinstance(value, dict):
            yield from _walk(name, value)
        elif value is not None:
            yield name, f"{value:g}" if isinstance(value, float) else str(value)
