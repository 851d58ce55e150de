"""A saved result: values with uncertainty, and what they hold for. One JSON file a procedure.

Age counts in engaged hours and in boots, for many a Pi has no clock; the wall time stands there
only when it was synced. Saving keeps the result before it, so that one step can be undone.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.commission.estimate import CommissionError, Estimate, Term
from firmware_py.guard.faults import SLOPE_H, SLOPE_K

SCHEMA = 1
MAX_BYTES = 1_000_000  # a hundred times the longest honest file
BEFORE = ".before"  # suffix of the result that a save has replaced


class Value(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One number: value, unit, standard uncertainty (k = 1), its terms by name."""

    value: float
    unit: str
    u: float
    terms: dict[str, float]


class Result(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What one procedure found. wall: ISO 8601, only when the clock was synced; words: what the
    person was told, where a refusal must tell it again."""

    schema: int
    kind: str
    device: str  # identity of what was measured, as its driver gives it
    boots: int
    engaged_h: float
    temperature_c: float | None
    values: dict[str, Value]
    wall: str | None = None
    words: str = ""


@dataclass(frozen=True)
class Now:
    """What a result is held against: boots and engaged hours so far, device that is there."""

    boots: int
    engaged_h: float
    device: str


@dataclass(frozen=True)
class Shelf:
    """How long a kind of result holds: engaged hours and kelvin; None: for ever."""

    hours: float | None
    kelvin: float | None


SHELVES = {
    "slope": Shelf(SLOPE_H, SLOPE_K),
    "tilt": Shelf(None, None),  # the slope check watches over it
    "bar": Shelf(None, None),
    "string": Shelf(None, None),
    "valves": Shelf(None, None),
    "tune": Shelf(None, None),
}


def value_of(estimate: Estimate) -> Value:
    """An estimate as it is stored."""
    terms = {"type A": estimate.type_a, **{term.name: term.u for term in estimate.type_b}}
    return Value(estimate.value, estimate.unit, estimate.u, terms)


def make(
    kind: str, now: Now, temperature_c: float | None, values: dict[str, Estimate], *,
    wall: str | None = None, synced: bool = False, words: str = "",
) -> Result:  # fmt: skip
    """A result as of now. A wall time that was not synced is left out."""
    if kind not in SHELVES:
        raise CommissionError(f'"{kind}" is no procedure; {", ".join(SHELVES)} is right')
    told = {name: value_of(one) for name, one in values.items()}
    return Result(
        SCHEMA, kind, now.device, now.boots, now.engaged_h, temperature_c, told,
        wall if synced else None, words,
    )  # fmt: skip


def is_stale(
    result: Result | None, now: Now, temperature_c: float | None, kind: str = "result"
) -> str | None:
    """One sentence that says why the run is refused, or None while the result holds."""
    if result is None:
        return f"No result of {kind} is stored; do it first."
    name = result.kind
    if result.device != now.device:
        told = f"The {name} is of device {result.device}, and {now.device} is there"
        return f"{told}; do it again."
    if result.boots > now.boots or result.engaged_h > now.engaged_h:
        return f"The {name} comes from later than now by boots or hours; do it again."
    return _too_old(result, now) or _too_far(result, temperature_c)


def is_on_off(result: Result) -> bool:
    """Whether a valve map is one of on/off valves."""
    return "left least up" in result.values


def _too_old(result: Result, now: Now) -> str | None:
    hours, age = SHELVES[result.kind].hours, now.engaged_h - result.engaged_h
    if hours is None or age <= hours:
        return None
    return f"The {result.kind} is {age:.1f} engaged hours old, at most {hours:g} is right."


def _too_far(result: Result, temperature_c: float | None) -> str | None:
    kelvin, name = SHELVES[result.kind].kelvin, result.kind
    if kelvin is None:
        return None
    if temperature_c is None or result.temperature_c is None:
        return f"The {name} has no temperature to be held against; do it again."
    apart = abs(temperature_c - result.temperature_c)
    if apart <= kelvin:
        return None
    return f"It is {apart:.1f} K from the {name}'s temperature, at most {kelvin:g} K is right."


def save(path: Path, result: Result) -> None:
    """Write it whole or not at all; the one before it is kept beside it."""
    fresh = path.with_name(path.name + ".new")
    with fresh.open("wb") as stream:
        stream.write(msgspec.json.format(msgspec.json.encode(result), indent=2))
        stream.flush()
        os.fsync(stream.fileno())
    if path.exists():
        path.replace(path.with_name(path.name + BEFORE))
    fresh.replace(path)


def undo(path: Path) -> bool:
    """Put back the result before the last save; without one, nothing is left. True if restored."""
    before = path.with_name(path.name + BEFORE)
    if before.exists():
        before.replace(path)
        return True
    path.unlink(missing_ok=True)
    return False


def load(path: Path) -> Result | None:
    """The stored result, None without one; CommissionError when the file is not one of ours."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise CommissionError(f"{path} has more than {MAX_BYTES} bytes: no stored result.")
        result = msgspec.json.decode(path.read_bytes(), type=Result)
    except FileNotFoundError:
        return None
    except (OSError, *NO_MESSAGE) as error:
        words = f"{path} is no stored result ({error}); take that file away"
        raise CommissionError(f"{words}, and do what it was of again.") from error
    if result.schema != SCHEMA or result.kind not in SHELVES:
        raise CommissionError(
            f"{path} has schema {result.schema} of {result.kind}; {SCHEMA} of "
            f"{', '.join(SHELVES)} is right"
        )
    return result


def estimate_of(value: Value) -> Estimate:
    """A stored value as the estimate that it was."""
    terms = tuple(Term(name, u) for name, u in value.terms.items() if name != "type A")
    return Estimate(value.value, value.unit, value.terms.get("type A", 0.0), terms)
