"""Stored results become the rig's settings, or the reason why a run is refused.

Results of real devices are needed, but for a bench, where no real valve can move; those of
simulated ones only where [calibration] says required = true. What is stored acts in any case.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from firmware_py.commission.book import Book
from firmware_py.commission.estimate import CommissionError, K
from firmware_py.commission.store import Result, is_on_off, is_stale
from firmware_py.commission.string_check import LEAST_RATE
from firmware_py.devices.which import without_lease
from firmware_py.messages import SIDES, Guide, Side
from firmware_py.settings import DEG, MM, SIMULATED, Rig

WIRED = ("port", "ports", "bus", "address", "addresses")  # keys that tell where one is plugged in
BENCH = (SIMULATED, "dry-run")  # valves that move nothing real
HOW = {  # what makes a result
    "tilt": "linehold tilt", "slope": "linehold check slope", "bar": "linehold bar",
    "string": "linehold check string", "valves": "linehold valves", "tune": "linehold tune",
}  # fmt: skip
SAME = 1e-9  # of a value that is only copied


@dataclass(frozen=True)
class Need:
    """One result: its kind, the device's identity, whether a run needs it."""

    kind: str
    device: str
    needed: bool
    of: str = ""


@dataclass
class InForce:
    """The rig with what holds; refused: why it may not run; told: what does not act, and why."""

    rig: Rig
    applied: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def words(self) -> str:
        """All reasons at once; '' when it may run."""
        return "\n".join(self.refused)


def identity(rig: Rig, part: Any, seed: int) -> str:
    """Which device a table means: its kind, its name, and where it is plugged in."""
    plain = part.model_dump(mode="json")
    if plain["kind"] == SIMULATED:
        return f"simulated {plain['device']}, seed {seed}"
    if (board := rig.boards.get(plain.get("on", ""))) is not None:
        plain |= board.model_dump(mode="json")
    wired = [f"{key} {plain[key]}" for key in (*WIRED, "identity") if plain.get(key)]
    return ", ".join([f"{plain['kind']} {plain['device']}", *wired])


def needs(rig: Rig, seed: int = 1) -> Iterator[Need]:
    """What this rig can have stored, and what a run on it needs."""

    bench = rig.valves is not None and rig.valves.kind in BENCH

    def needed(part: Any) -> bool:
        return rig.calibration.required or (part.kind != SIMULATED and not bench)

    sensor = identity(rig, rig.inertial, seed)
    yield Need("tilt", sensor, needed(rig.inertial))
    yield Need("slope", sensor, needed(rig.inertial))
    for side, bar in rig.bars.items():
        device = identity(rig, bar, seed)
        yield Need("bar", device, needed(bar), bar.device)
        string = needed(bar) and rig.end(side).guide is Guide.STRING
        yield Need("string", device, string, bar.device)
    if rig.valves is not None and not without_lease(rig):
        valves = identity(rig, rig.valves, seed)
        yield Need("valves", valves, needed(rig.valves))
        yield Need("tune", valves, needed(rig.valves))


def in_force(rig: Rig, book: Book, seed: int = 1) -> InForce:
    """The rig as it may run: every result that holds is in it."""
    out = InForce(rig)
    kept: dict[tuple[str, str], Result] = {}
    for need in needs(rig, seed):
        result = book.load(need.kind, need.of)
        stale = is_stale(result, book.now(need.device), _warmth(result), need.kind)
        stale = (
            stale
            or _of_other_valves(rig, result)
            or _of_another(rig, result, kept)
            or _other_reflector(rig, result, need.of)
        )
        if stale is None and result is not None:
            kept[need.kind, need.of] = result
        elif need.needed:
            what = f"{need.kind} of {need.of}" if need.of else need.kind
            out.refused.append(f"{what}: {stale} ({HOW[need.kind]})")
        elif result is not None:
            out.told.append(f"Not in force: {stale}")
    out.refused += _poor_strings(rig, kept)
    out.applied = [f"{kind} {of}".strip() for kind, of in kept]
    out.rig = merged(rig, kept, book) if kept else rig
    out.told += _longer_pulses(rig, out.rig)
    return out


def _warmth(result: Result | None) -> float | None:
    """Before a run nothing is warm yet: the fault table watches over 10 K on the way."""
    return None if result is None else result.temperature_c


def _of_another(rig: Rig, result: Result | None, kept: dict[tuple[str, str], Result]) -> str | None:
    """Whether a result leans on another one that has been made anew, or taken back, since."""
    leans = {"slope": ("tilt", "roll zero"), "tune": ("valves", "dead time")}
    if result is None or result.kind not in leans:
        return None
    kind, name = leans[result.kind]
    base = kept.get((kind, ""))
    stated = rig.inertial.zero_roll_deg * DEG
    if kind == "valves":
        stated = 0.0 if rig.valves is None else rig.valves.dead_time_ms * MM
    there = stated if base is None else base.values[name].value
    if abs(result.values[name].value - there) <= SAME:
        return None
    return f"The {result.kind} was made for another {kind}; do it again."


def _other_reflector(rig: Rig, result: Result | None, of: str) -> str | None:
    """A zero found by a reflector's speed of sound holds for that distance of it, and no other."""
    made = None if result is None else result.values.get("reflector stated")
    if made is None:
        return None
    stated = next(bar.reflector_mm for bar in rig.bars.values() if bar.device == of)
    if stated is not None and abs(stated * MM - made.value) <= SAME:
        return None
    told = "none" if stated is None else f"one at {stated:g} mm"
    was = f"The bar was made with a reflector at {made.value / MM:g} mm"
    return f"{was}, and the rig file has {told}; do it again."


def _of_other_valves(rig: Rig, result: Result | None) -> str | None:
    """Whether a valve map is of the other kind, proportional or on/off, than the rig's valves."""
    if result is None or result.kind != "valves" or rig.valves is None:
        return None
    if is_on_off(result) is rig.valves.pulsed:
        return None
    of = "on/off valves" if is_on_off(result) else "proportional valves"
    return f"The valves' map is of {of}, and valves.pulsed says otherwise; do it again."


def _longer_pulses(stated: Rig, rig: Rig) -> Iterator[str]:
    if stated.valves is None or rig.valves is None or rig.valves.pulse_ms == stated.valves.pulse_ms:
        return
    yield (
        f"Not in force: valves.pulse_ms = {stated.valves.pulse_ms:g}; so short a pulse may move "
        f"nothing by the valves' map, and {rig.valves.pulse_ms:g} ms acts in its place"
    )


def _poor_strings(rig: Rig, kept: dict[tuple[str, str], Result]) -> Iterator[str]:
    """A line that this bar does not hear well may not be followed."""
    for side, bar in rig.bars.items():
        result = kept.get(("string", bar.device))
        if result is None or rig.end(side).guide is not Guide.STRING:
            continue
        if result.values["rate"].value < LEAST_RATE:
            yield f'{side.value}.guide = "string" is refused. {result.words}'


def merged(rig: Rig, kept: dict[tuple[str, str], Result], book: Book) -> Rig:
    """The rig's settings with these results; CommissionError where one is beyond the schema."""
    plain = rig.model_dump(mode="json")
    for (kind, of), result in kept.items():
        match kind:
            case "tilt":
                plain["inertial"] |= _tilt(result)
            case "slope":
                hours = book.now(result.device).engaged_h - result.engaged_h
                warm = {"temperature_c": result.temperature_c, "age_h": max(hours, 0.0)}
                plain["calibration"]["slope"] = warm
            case "bar":
                side = next(s for s, bar in rig.bars.items() if bar.device == of)
                plain["calibration"]["bars"][side.value] = _bar(result)
                if (heard := result.values.get("reflector heard")) is not None:
                    plain["bars"][side.value]["reflector_mm"] = heard.value / MM
            case "string" if result.values["rate"].value < LEAST_RATE:
                side = next(s for s, bar in rig.bars.items() if bar.device == of)
                plain["calibration"]["no_string"][side.value] = result.words
            case "valves":
                plain["valves"] |= _valves(rig, result)
                plain["calibration"]["valves"] = {s.value: _valve(result, s) for s in SIDES}
            case "tune":
                plain["control"] |= {
                    key: result.values[key].value for key in ("gain_per_s", "integral_s")
                }
    try:
        return Rig.model_validate(plain)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise CommissionError(
            f"A stored result does not fit the rig: {where}: {first['msg']}; take it back "
            "(--undo) or put the device right."
        ) from error


def _tilt(result: Result) -> dict[str, float]:
    keys = {
        "zero_roll_deg": "roll zero",
        "zero_pitch_deg": "pitch zero",
        "mount_yaw_deg": "mounting yaw",
    }
    return {key: result.values[name].value / DEG for key, name in keys.items()}


def _bar(result: Result) -> dict[str, Any]:
    values = result.values
    count = sum(name.endswith(" zero") for name in values)
    return {
        "middle_mm": values["middle"].value / MM,
        "zero_mm": [values[f"element {k} zero"].value / MM for k in range(count)],
        "scale": [values[f"element {k} scale"].value for k in range(count)],
    }


def _valve(result: Result, side: Side) -> dict[str, float]:
    def value(name: str) -> float:
        return result.values[f"{side.value} {name}"].value

    speeds = {
        "up_mm_s": value("up") / MM, "down_mm_s": value("down") / MM,
        "cylinder_mm": value("cylinder") / MM,
    }  # fmt: skip
    if is_on_off(result):
        names = ("least up", "least down", "lost up", "lost down")
        times = {f"{name.replace(' ', '_')}_ms": value(name) / MM for name in names}
        return speeds | times | {"overlap_up_pct": 0.0, "overlap_down_pct": 0.0}
    return speeds | {
        "overlap_up_pct": 100.0 * value("overlap up"),
        "overlap_down_pct": 100.0 * value("overlap down"),
    }


def _pulse_ms(rig: Rig, result: Result) -> float:
    """The stated pulse, or one of whole ticks that moves something for certain (k = 2)."""
    stated = 0.0 if rig.valves is None else rig.valves.pulse_ms
    leasts = [one for name, one in result.values.items() if " least " in name]
    surely = max(one.value + K * one.u for one in leasts) / MM
    tick = 1e3 / rig.control.tick_hz
    return stated if stated >= surely else tick * math.ceil(surely / tick - SAME)


def _valves(rig: Rig, result: Result) -> dict[str, float]:
    """What [valves] says of both: means of the two, the later dead time, the longer lag."""
    both = [_valve(result, side) for side in SIDES]

    def mean(key: str) -> float:
        return math.fsum(one[key] for one in both) / len(both)

    return {
        "dead_time_ms": result.values["dead time"].value / MM,
        "lag_ms": result.values["lag"].value / MM,
        "up_mm_s": mean("up_mm_s"), "down_mm_s": mean("down_mm_s"),
        "overlap_pct": 0.5 * (mean("overlap_up_pct") + mean("overlap_down_pct")),
        "cylinder_left_mm": mean("cylinder_mm"),
    } | ({"pulse_ms": _pulse_ms(rig, result)} if is_on_off(result) else {})  # fmt: skip
