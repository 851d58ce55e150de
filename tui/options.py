"""What a driver may set about the dashboard itself, and its TOML file. Nothing here moves a blade.

The app holds one Options as `app.options` and puts a changed copy in its place.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from firmware_py.errors import Fault, LineholdError, nearest, shown
from firmware_py.toml_lines import Lines
from tui import colours
from tui.keys import KeysError, default_keys, keys_with
from tui.units import Fall, System, Units

MOST_BYTES = 100_000  # a hundred times the longest honest file
MOST_WORDS = 200  # letters of a text
MM, PERCENT = 0.001, 0.01


class OptionsError(LineholdError, ValueError):
    """An options file that cannot be used: one sentence with file, line and key."""


@dataclass(frozen=True)
class Options:
    """The dashboard's own settings. SI units and ratios, as everywhere inside."""

    theme: str = colours.DEFAULT
    units: Units = field(default_factory=Units)
    nudge_step_m: float = 0.002  # of a target's height at one press
    crossfall_step: float = 0.001  # of the crossfall target at one press
    gate_step_m: float = 0.005
    dead_band_step_m: float = 0.0005
    volume: float = 0.6  # 0..1
    muted: bool = False
    check_words: str = "Measure at a blade end, type the reading, press enter."
    keys: Mapping[str, str] = field(default_factory=default_keys)

    def with_steps(self, **steps: float) -> Options:
        """With other steps; OptionsError beyond the range that a file may give as well."""
        for name, value in steps.items():
            low, high = STEPS[name]
            if not low <= value <= high:
                raise OptionsError(f"a step lies between {low:g} and {high:g}, not {value:g}")
        return replace(self, **steps)  # type: ignore[arg-type]  # all steps are numbers


# Ranges of the steps, m and ratios. The least is 0.01 in as well; the most is what the controller
# takes at once, or less.
STEPS = {
    "nudge_step_m": (0.0003, 0.05),
    "crossfall_step": (0.0001, 0.01),
    "gate_step_m": (0.001, 0.05),
    "dead_band_step_m": (0.0003, 0.005),
}

Reads = Callable[[Any], Any]  # a value of the file -> of Options; ValueError says what is right


def _number(low: float, high: float, unit: float = 1.0) -> Reads:
    def read(value: Any) -> float:
        plain = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not plain or not math.isfinite(value) or not low <= value <= high:
            raise ValueError(f"a number from {low:g} to {high:g} is right")
        return float(value) * unit

    return read


def _step(name: str, unit: float) -> Reads:
    low, high = STEPS[name]
    return _number(round(low / unit, 9), round(high / unit, 9), unit)


def _choice(*words: str) -> Reads:
    def read(value: Any) -> str:
        if value not in words:
            right = ", ".join(f'"{word}"' for word in words[:-1]) + f' or "{words[-1]}"'
            raise ValueError(f"{right} is right{nearest(value, words)}")
        return str(value)

    return read


def _switch(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false is right")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable() or len(value) > MOST_WORDS:
        raise ValueError(f"a text on one line of at most {MOST_WORDS} letters is right")
    return value


# The keys of the file: table and key -> the field of Options (units are put together below).
KEYS: dict[tuple[str, ...], tuple[str, Reads]] = {
    ("theme",): ("theme", _choice(*colours.NAMES)),
    ("units", "lengths"): ("system", _choice(*System)),
    ("units", "crossfall"): ("fall", _choice(*Fall)),
    ("steps", "height_mm"): ("nudge_step_m", _step("nudge_step_m", MM)),
    ("steps", "crossfall_pct"): ("crossfall_step", _step("crossfall_step", PERCENT)),
    ("steps", "gate_mm"): ("gate_step_m", _step("gate_step_m", MM)),
    ("steps", "dead_band_mm"): ("dead_band_step_m", _step("dead_band_step_m", MM)),
    ("sound", "volume_pct"): ("volume", _number(0.0, 100.0, PERCENT)),
    ("sound", "muted"): ("muted", _switch),
    ("check", "words"): ("check_words", _text),
}
TABLES = {place[0] for place in KEYS if len(place) == 2} | {"keys"}
TOP = TABLES | {place[0] for place in KEYS if len(place) == 1}


def load_options(path: Path | None) -> Options:
    """Options from a TOML file; the defaults without one. OptionsError names file, line and key."""
    if path is None:
        return Options()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise OptionsError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > MOST_BYTES:
        raise OptionsError(f"{path}: {len(data)} bytes; an options file has {MOST_BYTES} at most")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise OptionsError(f"{path}: is not UTF-8 text (at byte {error.start})") from error
    return read_options(text, str(path))


def read_options(text: str, name: str) -> Options:
    """As load_options, of a text; name is the file's, for the words of a fault."""
    text = text.replace("\r\n", "\n")
    try:
        tree, lines = tomllib.loads(text), Lines(text)
    except (ValueError, RecursionError) as error:
        raise OptionsError(_not_toml(error, text, name)) from error

    def wrong(place: tuple[str, ...], words: str) -> OptionsError:
        return OptionsError(str(Fault(name, lines.of(place), ".".join(place), words)))

    found: dict[str, Any] = {}
    for place, value in _pairs(tree, wrong):
        field_name, read = KEYS[place]
        try:
            found[field_name] = read(value)
        except ValueError as error:
            raise wrong(place, f"{shown(value)}: {error}") from error
    units = Units(System(found.pop("system", System.METRIC)), Fall(found.pop("fall", Fall.PERCENT)))
    return Options(units=units, keys=_keys(tree.get("keys", {}), wrong), **found)


Wrong = Callable[[tuple[str, ...], str], OptionsError]


def _pairs(tree: dict[str, Any], wrong: Wrong) -> list[tuple[tuple[str, ...], Any]]:
    """Each key of the file but those of [keys], with its value; an unknown one is refused."""
    pairs: list[tuple[tuple[str, ...], Any]] = []
    for key, value in tree.items():
        if key not in TOP:
            raise wrong((key,), f"unknown key{nearest(key, TOP) or _known(TOP)}")
        if key not in TABLES:
            pairs.append(((key,), value))
        elif not isinstance(value, dict):
            raise wrong((key,), f"{shown(value)}: a table [{key}] is right")
        elif key != "keys":
            pairs += [((key, inner), item) for inner, item in value.items()]
    for place, _ in pairs:
        if place not in KEYS:
            inner_keys = [other[1] for other in KEYS if other[0] == place[0]]
            raise wrong(place, f"unknown key{nearest(place[1], inner_keys) or _known(inner_keys)}")
    return pairs


def _known(names: Iterable[str]) -> str:
    return f"; known are {', '.join(sorted(names))}"


def _keys(table: dict[str, Any], wrong: Wrong) -> dict[str, str]:
    for action, key in table.items():
        if not isinstance(key, str):
            raise wrong(("keys", action), f'{shown(key)}: a key such as "g" or "f5" is right')
    try:
        return keys_with(table)
    except KeysError as error:
        raise wrong(("keys", error.action), str(error)) from error


def _not_toml(error: Exception, text: str, name: str) -> str:
    if isinstance(error, RecursionError):
        return str(Fault(name, None, "", "tables or lists are nested too deeply"))
    where = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", str(error))
    words = str(error)[: where.start()] if where else str(error)
    line = int(where[1]) if where and where[1] else text.count("\n") + 1
    return str(Fault(name, line, "", f"not TOML: {words}"))
