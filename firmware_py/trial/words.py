"""A trial's result in words and numbers, for a terminal 80 columns wide."""

from __future__ import annotations

import textwrap
from typing import Any

from firmware_py.trial.result import NOTE, Result
from firmware_py.trial.surface import spot_words

WIDTH = 78
SPOTS = 3  # that are told in words; the result holds them all
INDENT = 21  # columns of the names


def in_words(result: Result) -> str:
    """The compact table; every figure with its unit, and that it is simulated."""
    s = result.summary
    head = f"{s['scenario']}, seed {s['seed']}, rig {s['rig']}: {NOTE}"
    if s["controller"] != "linehold":
        head += " (the plain loop, for comparison)"
    rows = [_row(name, text) for name, text in (_rows(s) if s["distance_m"] else _ends(s)) if text]
    about = textwrap.wrap(s["words"], WIDTH)
    return "\n".join([head, *about, "", *textwrap.wrap(_outcome(s), WIDTH), *rows])


def _outcome(s: dict[str, Any]) -> str:
    """What became of it: whatever went wrong stands first."""
    way = f"{s['distance_m']:.0f} m scored at {_number(s['speed_mps'], 2)} m/s"
    told = " ".join(s["troubles"])
    if not s["distance_m"]:
        return f"HELD: nothing was scored. {told or s['why']}"
    if s["outcome"] == "held":
        return f"HELD: the blade was not led for most of {way}. {told} At the end: {s['why']}"
    every = "every metre after the run-in counts"
    if told:
        return f"PARTLY GRADED: {told} {way}; {every}, also those."
    return f"Graded: {way}; {every}."


def _row(name: str, text: str) -> str:
    first, *more = textwrap.wrap(text, WIDTH - INDENT) or [""]
    return "\n".join([f"  {name:<{INDENT - 2}}{first}", *(" " * INDENT + line for line in more)])


def _rows(s: dict[str, Any]) -> list[tuple[str, str]]:
    ends = [(f"{side.capitalize()} end ({end['guide']})", _end(end))
            for side, end in s["ends"].items()]  # fmt: skip
    return [
        *ends,
        *((f"Surface, {side}", _surface(end)) for side, end in s["ends"].items()),
        ("Passes", _passes(s)),
        ("Against reference", _against(s)),
        ("Crossfall", f"{_number(s['crossfall_rms_pct'], 2)} % rms off its target"),
        ("Steering", _steering(s)),
        ("Disturbances", _disturbances(s)),
        ("Reference", f"{_mistaken(s['false_references'])}; "
                      f"lost for {_number(s['reference_lost_pct'], 1)} % of the metres"),
        ("Valves", _valves(s)),
        ("Loop health", _health(s)),
        *_ends(s),
    ]  # fmt: skip


def _ends(s: dict[str, Any]) -> list[tuple[str, str]]:
    """The last rows, which stand also where nothing was scored."""
    return [
        ("Faults", ", ".join(f"{name} {t:.1f} s" for name, t in s["faults"].items()) or "none"),
        ("Refused", "; ".join(s["refused"])),
        ("Speed of trial", f"{_number(s['realtime_factor'], 0)} times real time"),
        ("Journal", s["journal"] or ""),
    ]


def _surface(end: dict[str, Any]) -> str:
    """What the blade left behind, apart from where its edge was."""
    spots = [*spot_words(end["low_spots"], "not filled"), *spot_words(end["high_spots"], "not cut")]
    more = f" and {len(spots) - SPOTS} more" if len(spots) > SPOTS else ""
    told = "; ".join(spots[:SPOTS]) + more
    return f"{_mm(end['graded_rms_mm'])} rms off the target; {told or 'nowhere 10 mm off'}"


def _passes(s: dict[str, Any]) -> str:
    left = [f"{_number(one['left_over_mm'], 0)} mm" for one in s["passes"]]
    return f"{len(left)}; over the target after each, left end: {', '.join(left)}" if left else ""


def _mistaken(n: int) -> str:
    if n == 0:
        return "nothing else was taken for it"
    return f"something else was taken for it {'once' if n == 1 else f'{n} times'}"


def _health(s: dict[str, Any]) -> str:
    if s["loop_health"] is None:
        return ""
    return (
        f"{_number(s['loop_health'], 2)}; 1 would be the least error that any control has "
        f"behind {_number(s['dead_time_s'], 3)} s of dead time (docs/bounds.md); "
        f"over {s['loop_health_record_s']:.0f} s"
    )


def _against(s: dict[str, Any]) -> str:
    if s["guided_end"] is None:
        return ""
    return f"{_mm(s['string_rms_mm'])} rms, {s['guided_end']} end, to where it really stands"


def _steering(s: dict[str, Any]) -> str:
    driven = f"{_mm(s['steering_rms_mm'], 0)} rms off the middle"
    shown = s["lateral_rms_mm"]
    return f"{driven}, by eye" if shown is None else f"{driven}; cue off by {_mm(shown)} rms"


def _valves(s: dict[str, Any]) -> str:
    shares = ("held", "by hand", "capped")
    told = [f"{name} {_number(s[f'{name}_pct'.replace(' ', '_')], 1)} %" for name in shares]
    turned = _number(s["reversals_per_s"], 1)
    return f"{', '.join(told)}; oil changed direction {turned} times a second"


def _end(end: dict[str, Any]) -> str:
    return (
        f"{_mm(end['height_rms_mm'])} rms, 95 % within {_number(end['height_p95_mm'], 1)}, "
        f"most {_number(end['height_max_mm'], 1)}, mean {_mm(end['height_bias_mm'], sign=True)}"
    )


def _disturbances(s: dict[str, Any]) -> str:
    found = ", ".join(f"{n} {what}{'s' if n != 1 else ''}" for what, n in s["disturbances"].items())
    if not found or s["excursion_mm"] is None:
        return ""
    return (
        f"{found} passed after the run-in: the estimate moved by {_mm(s['excursion_mm'])} at "
        f"most ({_mm(s['excursion_elsewhere_mm'])} between them)"
    )


def _mm(value: float | None, digits: int = 1, sign: bool = False) -> str:
    return f"{_number(value, digits, sign)} mm"


def _number(value: float | None, digits: int, sign: bool = False) -> str:
    return "?" if value is None else f"{value:{'+' if sign else ''}.{digits}f}"
