"""A tick as a line of text and as a flat object, both with units: files and screens are edges."""

from __future__ import annotations

from typing import Any

from firmware_py.guide.cues import in_words, steer_in_words
from firmware_py.messages import BAR_GUIDES, EndTick, Side, Tick


def line(tick: Tick, started_s: float) -> str:
    """One line of at most some 150 characters."""
    parts = [f"{tick.time_s - started_s:6.1f} s  {tick.mode.value}"]
    parts += [_end(side, tick.end(side)) for side in Side]
    parts.append(f"crossfall {_pct(tick.crossfall)} (target {_pct(tick.crossfall_target)})")
    parts.append(steer_in_words(tick.steer_m))
    way = "" if tick.distance_m is None else f" at {tick.distance_m:.1f} m"
    parts.append(f"speed {speed_words(tick.speed_mps)}{way}")
    parts.append(", ".join(tick.faults) or "no fault")
    parts += _job(tick)
    return " | ".join(parts)


def _job(tick: Tick) -> list[str]:
    """Where a job stands and what it says; nothing without one."""
    at = "" if tick.chainage_m is None else f"chainage {tick.chainage_m:.1f} m"
    return [words for words in (at, tick.cut, tick.notice) if words]


def _end(side: Side, end: EndTick) -> str:
    off = "" if end.error_m is None else f" {signed_mm(end.error_m)} mm,"
    return f"{side.value} {end.state.value}:{off} {cue_words(side, end)}"


def cue_words(side: Side, end: EndTick) -> str:
    """'raise 4 mm', 'lower 4 mm', 'on level', 'no datum' or 'no reference'."""
    if end.cue_m is None and end.guide in BAR_GUIDES and end.datum_m is None:
        return "no datum"
    return in_words(side, end.cue_m).removeprefix(f"{side}: ")


def signed_mm(metres: float) -> str:
    """'+1.2'; what rounds to nothing has no sign."""
    text = f"{metres * 1e3:+.1f}"
    return "0.0" if float(text) == 0.0 else text


def speed_words(speed_mps: float | None) -> str:
    """'0.50 m/s'; what rounds to nothing has no sign."""
    return "unknown" if speed_mps is None else f"{round(speed_mps, 2) + 0.0:.2f} m/s"


def _pct(ratio: float | None) -> str:
    return "unknown" if ratio is None else f"{ratio * 100:.2f} %"


def as_dict(tick: Tick, started_s: float) -> dict[str, Any]:
    """For --json: every name carries its unit; null is not known."""
    return {
        "run_s": round(tick.time_s - started_s, 3),
        "seq": tick.seq,
        "mode": tick.mode.value,
        "why": tick.why,
        "left": _end_dict(tick.left),
        "right": _end_dict(tick.right),
        "crossfall_pct": _scaled(tick.crossfall, 100.0),
        "crossfall_target_pct": _scaled(tick.crossfall_target, 100.0),
        "steer_left_mm": _scaled(tick.steer_m, 1e3),
        "speed_mps": tick.speed_mps,
        "distance_m": tick.distance_m,
        "faults": list(tick.faults),
        "dropped": tick.dropped,
        "chainage_m": tick.chainage_m,
        "chainage_sd_m": tick.chainage_sd_m,
        "cut": tick.cut,
        "notice": tick.notice,
    }


def _end_dict(end: EndTick) -> dict[str, Any]:
    return {
        "guide": end.guide.value,
        "state": end.state.value,
        "error_mm": _scaled(end.error_m, 1e3),
        "error_sd_mm": _scaled(end.error_sd_m, 1e3),
        "raise_mm": _scaled(end.cue_m, 1e3),
        "offset_mm": _scaled(end.offset_m, 1e3),
        "valve": end.valve,
    }


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
