"""The exception tree, and the words in which faults are told.

Every error is one of ours and one of Python's own kinds as well.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import ErrorDetails

MAX_SHOWN = 40  # letters of a faulty value that its fault repeats

Place = tuple[str | int, ...]  # a key as its parts; an int counts in a list, from 0
Spot = tuple[Any, tuple[Any, ...]]  # what a model expects at a place: a type and its constraints


class LineholdError(Exception):
    """Whatever Linehold itself refuses or gives up on."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong in a file; without a line (from 1) when the whole file is meant."""

    path: str
    line: int | None
    key: str
    words: str

    def __str__(self) -> str:
        place = self.path if self.line is None else f"{self.path}:{self.line}"
        return ": ".join(part for part in (place, self.key, self.words) if part)


class FileFault(LineholdError, ValueError):  # noqa: N818  it is a bundle of faults
    """A file that cannot be used: all its faults at once, one line each."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(self.faults)  # the arguments, so that it can be pickled

    def __str__(self) -> str:
        return "\n".join(map(str, self.faults))


class NoName(LineholdError, ValueError):  # noqa: N818  as FileFault
    """An empty text where a name or a file is due."""


def dotted(place: Place) -> str:
    """A key as a person writes it; the first of a list is [1]."""
    words = ""
    for part in place:
        if isinstance(part, int):
            words += f"[{part + 1}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            words += ("." if words else "") + (part if plain else shown(part))
    return words


def shown(value: object) -> str:
    """A value as TOML has it, on one line, short, and with nothing that moves a cursor."""
    if isinstance(value, (dict, list)):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, str) and not value.isprintable():
        value = value.encode("unicode_escape").decode()
    words = json.dumps(value, ensure_ascii=False) if isinstance(value, (str, bool)) else str(value)
    return words if len(words) <= MAX_SHOWN else words[: MAX_SHOWN - 3] + "..."


def closest(word: object, choices: Iterable[str]) -> list[str]:
    """The one choice that a word may be misspelt for; none if all differ too much."""
    return difflib.get_close_matches(str(word), list(choices), n=1, cutoff=0.6)


def nearest(word: object, choices: Iterable[str]) -> str:
    """The question after the closest choice, or nothing."""
    close = closest(word, choices)
    return f"; did you mean {close[0]}?" if close else ""


def _either(words: Sequence[str]) -> str:
    return " or ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def choices_of(kind: Any) -> list[str]:
    """The words of an enumeration or a Literal; of any other type none."""
    if get_origin(kind) is Literal:
        return [str(choice) for choice in get_args(kind)]
    is_enum = isinstance(kind, type) and issubclass(kind, Enum)
    return [str(choice.value) for choice in kind] if is_enum else []


def kind_words(kind: Any) -> str:
    """A type in the words of a person who writes a file."""
    if choices := choices_of(kind):
        whole = get_origin(kind) is Literal and isinstance(get_args(kind)[0], int)
        return _either(choices if whole else [f'"{choice}"' for choice in choices])
    plain = {float: "a number", int: "a whole number", bool: "true or false", str: "a text"}
    if kind in plain:
        return plain[kind]
    return "a list" if get_origin(kind) in (list, tuple) else "a table"


def range_words(limits: Iterable[Any]) -> str:
    """The range that annotated constraints (ge, gt, le, lt, lengths) allow; "" without any."""
    known = ("ge", "gt", "le", "lt", "min_length", "max_length")
    found = {name: getattr(limit, name) for limit in limits for name in known if _has(limit, name)}
    lengths = "min_length" in found or "max_length" in found
    low = found.get("ge", found.get("min_length"))
    high = found.get("le", found.get("max_length"))
    unit = " long" if lengths else ""
    if low is not None and high is not None:
        return f"{low:g} to {high:g}{unit}"
    parts = [] if low is None else [f"at least {low:g}{unit}"]
    parts += [f"above {found['gt']:g}"] if "gt" in found else []
    parts += [] if high is None else [f"at most {high:g}{unit}"]
    parts += [f"below {found['lt']:g}"] if "lt" in found else []
    return " and ".join(parts)


def _has(limit: object, name: str) -> bool:
    return getattr(limit, name, None) is not None


def spread(annotation: Any, limits: Sequence[Any] = ()) -> Iterator[Spot]:
    """The members of an annotation without Annotated and unions, with their constraints."""
    arguments, origin = get_args(annotation), get_origin(annotation)
    if origin is Annotated:
        inner = [bit for extra in arguments[1:] for bit in getattr(extra, "metadata", [extra])]
        yield from spread(arguments[0], [*limits, *inner])
    elif origin in (Union, UnionType):
        for member in arguments:
            if member is not type(None):  # a TOML file cannot hold a None
                yield from spread(member, limits)
    else:
        yield annotation, tuple(limits)


def _origin(annotation: Any) -> Any:
    return get_origin(annotation)


def is_keyed(annotation: Any) -> bool:
    """True of a table whose keys are data, such as bars."""
    return _origin(annotation) is dict


def is_model(annotation: Any) -> bool:
    """True of a type that a table of the file becomes."""
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def step(spots: list[Spot], part: str | int) -> list[Spot]:
    """What is expected one key, or one list item, further down."""
    found: list[Spot] = []
    for annotation, _ in spots:
        arguments = [kind for kind in get_args(annotation) if kind is not Ellipsis]
        if is_model(annotation):
            field = annotation.model_fields.get(part)
            found += spread(field.annotation, field.metadata) if field else ()
        elif _origin(annotation) in (dict, list, tuple) and arguments:
            at = min(part, len(arguments) - 1) if isinstance(part, int) else -1
            found += spread(arguments[at])
    return found


def spots_at(model: type[BaseModel], place: Place, data: Any = None) -> list[Spot]:
    """What a model expects at a place; nothing where the place is unknown to it.

    data: the file's, by which of several tables at a place the one that is meant is found.
    """
    spots: list[Spot] = [(model, ())]
    for part in place:
        spots = step(narrowed(spots, data), part)
        inside = isinstance(data, dict) or (isinstance(data, list) and isinstance(part, int))
        try:
            data = data[part] if inside else None
        except (KeyError, IndexError):
            data = None
    return narrowed(spots, data)


TAGS = ("kind", "output")  # keys that say which of several tables one is


def tag_of(model: type[BaseModel]) -> tuple[str, str, bool] | None:
    """The key, the word by which this model is chosen, and whether it is without the key too."""
    for key in TAGS:
        field = model.model_fields.get(key)
        words = choices_of(field.annotation) if field else []
        if field and len(words) == 1:
            return key, words[0], not field.is_required()
    return None


def narrowed(spots: list[Spot], table: Any) -> list[Spot]:
    """Of several tables that may stand at a place, the one that is meant; all if none is."""
    if len(spots) < 2 or not isinstance(table, dict):
        return spots
    found = []
    for spot in spots:
        tag = tag_of(spot[0]) if is_model(spot[0]) else None
        if tag and (table[tag[0]] == tag[1] if tag[0] in table else tag[2]):
            found.append(spot)
    return found or spots


def tags_at(spots: list[Spot]) -> tuple[str, list[str]]:
    """The key that chooses between tables, and its words."""
    tags = [tag for kind, _ in spots if is_model(kind) and (tag := tag_of(kind))]
    return (tags[0][0] if tags else ""), [word for _, word, _ in tags]


def choice_words(value: Any, words: Sequence[str]) -> str:
    """What is wrong with a word that chooses between tables."""
    right = _either([f'"{word}"' for word in words])
    return f"{shown(value)} is not a choice; {right} is right{nearest(value, words)}"


def words_of(detail: ErrorDetails, value: Any, spots: list[Spot]) -> str:
    """What is wrong with a value and what would be right."""
    kind, told = detail["type"], shown(value)
    right = " or ".join(dict.fromkeys(kind_words(spot) for spot, _ in spots))
    limits = " or ".join(filter(None, (range_words(limits) for _, limits in spots)))
    choices = [choice for spot, _ in spots for choice in choices_of(spot)]
    right = " or ".join([*(f'"{word}"' for word in number_words(spots)), right])
    patterns = [limit.pattern for _, some in spots for limit in some if _has(limit, "pattern")]
    if kind == "missing":
        return f"missing; {right}{limits and ', '}{limits} is right"
    if choices and kind not in ("too_short", "too_long"):
        return f"{told} is not a choice; {right} is right{nearest(value, choices)}"
    if kind.endswith("_type"):
        return f"{told} is the wrong type; {right} is right"
    if kind == "finite_number":
        wrong, right = "is not finite", limits or "a finite number"
    elif patterns and kind == "string_pattern_mismatch":
        wrong, right = "has the wrong letters", " or ".join(patterns)
    elif limits and kind.endswith(("_equal", "_than", "too_short", "too_long")):
        wrong, right = "is out of range", limits
    else:
        words = detail["msg"].removeprefix("Value error, ")
        return words if isinstance(value, (dict, list)) else f"{told}: {words}"
    return f"{told} {wrong}; {right} is right"


def number_words(spots: Sequence[Spot]) -> list[str]:
    """Words that may stand for a number at these places."""
    of = [limit.words for _, some in spots for limit in some if _has(limit, "words")]
    return [word for words in of for word, _ in words]


def unknown_key_words(place: Place, model: type[BaseModel], data: Any = None) -> str:
    """What to say of a key that the model does not have."""
    names: list[str] = []
    for kind, _ in spots_at(model, place[:-1], data):
        if is_model(kind):
            names += kind.model_fields
        elif is_keyed(kind):
            names += [word for key, _ in spread(get_args(kind)[0]) for word in choices_of(key)]
    few = f"; {_either(names)} is right" if 0 < len(names) <= 6 else ""
    return "unknown key" + (nearest(place[-1], names) or few)
