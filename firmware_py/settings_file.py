"""TOML files read strictly: every fault of a file at once, each with its line and its key.

tomllib parses and pydantic validates; neither says where a key stands, so `_Lines` looks it up.
"""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from firmware_py import errors
from firmware_py.errors import Fault, FileFault, Place
from firmware_py.schema import UNKNOWN, Check, Partial, View
from firmware_py.settings import Rig

MAX_BYTES = 1_000_000  # a hundred times the longest honest file: more is the wrong file
MAX_DEPTH = 20  # tables in tables; no file of ours goes beyond 4

Problem = tuple[tuple[Place, ...], str]  # the keys to blame, the likeliest first, and the words
Told = tuple[Place, str, Place | None]  # a fault of pydantic's, and what its views cannot know
Model = TypeVar("Model", bound=BaseModel)


_BLANK = re.compile(r"(?:[\s,]|#[^\n]*)*")  # commas too: in valid text they carry no position
_KEY = re.compile(r"""\s*("(?:\\.|[^"\\])*"|'[^']*'|[\w-]+)\s*(\.?)""", re.ASCII)
_TEXT = r'"""(?:\\.|[^\\])*?"""\"{0,2}' r"|'''.*?'''\'{0,2}" r'|"(?:\\.|[^"\\])*"' r"|'[^']*'"
_VALUE = re.compile(_TEXT + r"|[^,\]}#\n]+", re.DOTALL)


class _Lines:
    """The line of every key and list item of a text that tomllib has found valid."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._breaks = [match.start() for match in re.finditer("\n", text)]
        self._counts: dict[Place, int] = {}  # tables so far in an array of tables
        self._lines: dict[Place, int] = {(): 1}
        table: Place = ()
        while self._next():
            if self._next() == "[":
                table = self._header()
            else:
                self._pair(table)

    def __contains__(self, place: Place) -> bool:
        return place in self._lines

    def of(self, place: Place) -> int:
        """The line of a key; of its table's header if the key is missing; 1 at the top."""
        while place not in self._lines:
            place = place[:-1]
        return self._lines[place]

    def _line(self) -> int:
        return bisect_left(self._breaks, self._at) + 1

    def _match(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise ValueError(f"not TOML (at line {self._line()}, column 1)")
        self._at = match.end()
        return match

    def _next(self) -> str:
        self._match(_BLANK)
        return self._text[self._at : self._at + 1]

    def _key(self) -> list[str]:
        parts, dot = [], "."
        while dot:
            word, dot = self._match(_KEY).groups()
            quoted = word[0] in "\"'"
            parts.append(tomllib.loads(f"key = {word}")["key"] if quoted else word)
        return parts

    def _header(self) -> Place:
        line, brackets = self._line(), 1 + self._text.startswith("[[", self._at)
        self._at += brackets
        *outer, last = self._key()
        self._at += brackets
        place: Place = ()
        for part in outer:
            place += (part,)
            self._lines.setdefault(place, line)
            if place in self._counts:
                place += (self._counts[place] - 1,)
        place += (last,)
        if brackets == 2:
            self._lines.setdefault(place, line)
            self._counts[place] = self._counts.get(place, 0) + 1
            place += (self._counts[place] - 1,)
        self._lines[place] = line  # a table's own header outranks an earlier mention
        return place

    def _pair(self, table: Place) -> None:
        line = self._line()
        for part in self._key():
            table += (part,)
            self._lines.setdefault(table, line)
        self._at += 1  # the equals sign
        self._value(table)

    def _value(self, place: Place) -> None:
        opener = self._next()
        if opener not in ("[", "{"):
            self._match(_VALUE)
            return
        self._at += 1
        number = 0
        while self._next() not in ("]", "}"):
            if opener == "{":
                self._pair(place)
                continue
            self._lines[(*place, number)] = self._line()
            self._value((*place, number))
            number += 1
        self._at += 1


def _toml(text: str, name: str) -> tuple[dict[str, Any], _Lines]:
    try:
        return tomllib.loads(text), _Lines(text)
    except RecursionError:
        fault = Fault(name, None, "", "tables or lists are nested too deeply")
    except ValueError as error:
        where = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", str(error))
        words = str(error)[: where.start()] if where else str(error)
        line = int(where[1]) if where and where[1] else text.count("\n") + 1
        words = words.replace("Cannot overwrite a value", "a key is given twice")
        fault = Fault(name, line, "", f"not TOML: {words}")
    raise FileFault([fault])


def _clean(value: Any, place: Place, odd: dict[Place, str]) -> Any:
    """The value as JSON can hold it; what it cannot becomes None and is told in `odd`."""
    if len(place) > MAX_DEPTH:
        odd[place] = "nested too deeply"
    elif isinstance(value, dict):
        return {key: _clean(item, (*place, key), odd) for key, item in value.items()}
    elif isinstance(value, list):
        return [_clean(item, (*place, at), odd) for at, item in enumerate(value)]
    elif isinstance(value, (datetime.date, datetime.time)):
        odd[place] = f"{errors.shown(value)} is the wrong type; no date or time is read here"
    elif isinstance(value, int) and value.bit_length() > 63:
        odd[place] = "a whole number of more than 64 bits is out of range"
    else:
        return value
    return None


def _told(error: ValidationError, data: Any, model: type[BaseModel]) -> Iterator[Told]:
    """pydantic's errors, each at the place where it stands in the file."""
    for detail in error.errors(include_url=False):
        kind, loc = detail["type"], detail["loc"]
        place, value = _found(data, loc)
        if kind == "crossed":  # the cross checks are run once more, and tell it better
            continue
        if kind == "missing":
            place += loc[-1:]
        if kind == "extra_forbidden" or loc[-1:] == ("[key]",):
            words = errors.unknown_key_words(place, model)
            yield place, words, place if kind == "extra_forbidden" else place[:-1]
        else:
            whole = isinstance(value, dict) and kind in ("value_error", "assertion_error")
            words = errors.words_of(detail, value, errors.spots_at(model, place))
            yield place, words, None if whole else place


def _found(data: Any, loc: tuple[str | int, ...]) -> tuple[Place, Any]:
    """Where a location of pydantic's leads; it also holds parts that are not keys (unions)."""
    place: Place = ()
    for part in loc:
        at_key = isinstance(data, dict) and part in data
        if at_key or (isinstance(data, list) and isinstance(part, int)):
            place, data = (*place, part), data[part]
    return place, data


class _Views:
    """Every table of a file as its model's cross checks see it."""

    def __init__(self, model: type[BaseModel], data: Any, bad: set[Place]) -> None:
        self._bad = bad
        self._tables: list[tuple[Place, Sequence[Check], View]] = []
        self._root = View(self._plain(data, (), [(model, ())]))

    def crossed(self, extra_checks: Sequence[Check]) -> Iterator[Problem]:
        for place, checks, view in [*self._tables, ((), extra_checks, self._root)]:
            for check in checks:
                for keys, words in check(view):
                    yield tuple((*place, *key.split(".")) for key in keys), words

    def _plain(self, value: Any, place: Place, spots: list[errors.Spot]) -> Any:
        def inner(key: str | int, item: Any) -> Any:
            return self._plain(item, (*place, key), errors.step(spots, key))

        if isinstance(value, list):
            value = [inner(at, item) for at, item in enumerate(value)]
        elif isinstance(value, dict):
            value = {key: inner(key, item) for key, item in value.items()}
            for kind in [kind for kind, _ in spots if errors.is_model(kind)][:1]:
                self._fill(value, kind)
                self._tables.append((place, getattr(kind, "checks", ()), View(value)))
        if place not in self._bad:
            return value
        keyed = isinstance(value, dict) and any(errors.is_keyed(kind) for kind, _ in spots)
        return Partial(value) if keyed else UNKNOWN

    def _fill(self, table: dict[str, Any], model: type[BaseModel]) -> None:
        fields, doubtful = model.model_fields, set[str]()
        for key in table.keys() - fields.keys():  # misspelt: then the default is not what is meant
            doubtful |= {*errors.closest(key, fields)}
        for name, field in fields.items():
            default = field.get_default(call_default_factory=True)
            plain = default.model_dump(mode="json") if isinstance(default, BaseModel) else default
            unknown = name in doubtful or field.is_required()
            table.setdefault(name, UNKNOWN if unknown else plain)


def parse(text: str, name: str, model: type[Model], extra_checks: Sequence[Check] = ()) -> Model:
    """A model from TOML text; FileFault with every fault of it, `name` standing for the file."""
    raw, lines = _toml(text, name)
    odd: dict[Place, str] = {}
    data = _clean(raw, (), odd)
    told: list[Told] = [(place, words, place) for place, words in odd.items()]
    made, refusal = None, ""
    try:
        made = model.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        refusal = str(error)
        told += [one for one in _told(error, data, model) if one[0] not in odd]
    problems: list[Problem] = [((place,), words) for place, words, _ in told]
    bad = {place for _, _, place in told if place is not None}
    problems += _Views(model, data, bad).crossed(extra_checks)
    if problems or made is None:
        raise FileFault(_faults(name, lines, problems or [(((),), refusal)]))
    return made


def _faults(name: str, lines: _Lines, problems: list[Problem]) -> list[Fault]:
    """The problems with their lines, in the order of the file, none twice."""
    faults = set()
    for places, words in problems:
        place = next((place for place in places if place in lines), places[0])
        faults.add(Fault(name, lines.of(place), errors.dotted(place), words))
    return sorted(faults, key=lambda fault: (fault.line, fault.key, fault.words))


def load_model(path: Path, model: type[Model], extra_checks: Sequence[Check] = ()) -> Model:
    """A model from a TOML file; FileFault as from parse, or if the file cannot be read."""
    return parse(_read(path), str(path), model, extra_checks)


def load_rig(path: Path) -> Rig:
    """The rig of a rig file; FileFault as from load_model."""
    return load_model(path, Rig)


def _read(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():
            raise OSError("it is not a plain file")
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            raise OSError(f"it is larger than {MAX_BYTES} bytes, so hardly the file that is meant")
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        words = f"cannot be read: byte {error.start} is not UTF-8 text; save the file as UTF-8"
    except (OSError, ValueError) as error:
        words = f"cannot be read: {getattr(error, 'strerror', None) or error}"
    raise FileFault([Fault(str(path), None, "", words)])


def bundled_rigs() -> tuple[str, ...]:
    """The names of the rigs that come with Linehold."""
    folder = resources.files("firmware_py") / "rigs"
    names = [Path(item.name) for item in folder.iterdir()]
    return tuple(sorted(name.stem for name in names if name.suffix == ".toml"))


def find_rig(name_or_path: str) -> Path:
    """The file of a bundled rig's name, or of a path; FileFault if there is none."""
    if name_or_path in bundled_rigs():
        return Path(str(resources.files("firmware_py") / "rigs" / f"{name_or_path}.toml"))
    if Path(name_or_path).exists():
        return Path(name_or_path)
    names = bundled_rigs()
    words = f"no such rig file; bundled rigs: {', '.join(names)}"
    raise FileFault([Fault(name_or_path, None, "", words + errors.nearest(name_or_path, names))])
