"""TOML files read strictly: every fault of a file at once, each with its line and its key.

tomllib parses and pydantic validates; neither says where a key stands: `Lines` looks it up.
"""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from firmware_py import errors
from firmware_py.errors import Fault, FileFault, NoName, Place
from firmware_py.schema import UNKNOWN, Check, Partial, View, unprintable
from firmware_py.settings import Rig
from firmware_py.toml_lines import Lines

MAX_BYTES = 1_000_000  # a hundred times the longest honest file: more is the wrong file
MAX_DEPTH = 20  # tables in tables; no file of ours goes beyond 4

DECIMAL_COMMA = re.compile(r"=\s*([-+]?\d+,\d+)")

# What only a rig file, and what only a trial file has at its top: to tell one that was meant for
# the other in one sentence, not key by key.
ONLY = {
    "rig": {"bars", "blade", "tracks", "inertial", "air", "motion", "driver", "valves"},
    "trial": {"path", "words", "events", "distance_m", "speed_mps", "ground"},
}

Problem = tuple[tuple[Place, ...], str]  # the keys to blame, the likeliest first, and the words
Told = tuple[Place, str, Place | None]  # a fault of pydantic's, and what its views cannot know
Model = TypeVar("Model", bound=BaseModel)


def _toml(text: str, name: str) -> tuple[dict[str, Any], Lines]:
    try:
        return tomllib.loads(text), Lines(text)
    except RecursionError:
        fault = Fault(name, None, "", "tables or lists are nested too deeply")
    except ValueError as error:
        where = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", str(error))
        words = str(error)[: where.start()] if where else str(error)
        line = int(where[1]) if where and where[1] else text.count("\n") + 1
        words = words.replace("Cannot overwrite a value", "a key is given twice")
        fault = Fault(name, line, "", f"not TOML: {words}{_comma(text, line)}")
    raise FileFault([fault])


def _comma(text: str, line: int) -> str:
    """What to say of a line in which a number has a decimal comma."""
    lines = text.splitlines()
    found = DECIMAL_COMMA.search(lines[line - 1]) if line <= len(lines) else None
    return f"; {found[1]}: write a decimal point, not a comma" if found else ""


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
        if kind.startswith("union_tag"):
            yield from _wrong_tag(place, value, errors.spots_at(model, place))
            continue
        if kind == "missing":
            place += loc[-1:]
        if kind == "extra_forbidden" or loc[-1:] == ("[key]",):
            words = errors.unknown_key_words(place, model, data)
            yield place, words, place if kind == "extra_forbidden" else place[:-1]
        else:
            whole = isinstance(value, dict) and kind in ("value_error", "assertion_error")
            words = errors.words_of(detail, value, errors.spots_at(model, place, data))
            yield place, words, None if whole else place


def _wrong_tag(place: Place, value: Any, spots: list[errors.Spot]) -> Iterator[Told]:
    """A table of a kind that is none, and what is wrong with it whatever its kind; or no table."""
    if not isinstance(value, dict):
        yield place, f"{errors.shown(value)} is the wrong type; a table is right", place
        return
    key, words = errors.tags_at(spots)
    yield (*place, key), errors.choice_words(value.get(key), words), (*place, key)
    rest = {name: one for name, one in value.items() if name != key}
    for kind, _ in errors.narrowed(spots, rest)[:1]:
        try:
            kind.model_validate_json(json.dumps(rest), strict=True)
        except ValidationError as error:
            common = [one for one in _told(error, rest, kind) if "unknown key" not in one[1]]
            yield from (((*place, *at), told, bad and (*place, *bad)) for at, told, bad in common)


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
                    yield tuple((*place, *_parts(key)) for key in keys), words

    def _plain(self, value: Any, place: Place, spots: list[errors.Spot]) -> Any:
        def inner(key: str | int, item: Any) -> Any:
            return self._plain(item, (*place, key), errors.step(spots, key))

        if isinstance(value, list):
            value = [inner(at, item) for at, item in enumerate(value)]
        elif isinstance(value, dict):
            spots = errors.narrowed(spots, value)
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


def _parts(key: str) -> Place:
    """A dotted key's parts; a number counts in a list, from 0; "" is the table itself."""
    return tuple(int(part) if part.isdecimal() else part for part in key.split(".") if part)


def kind_of(raw: Iterable[str]) -> str:
    """Whether a file is a "rig" or a "trial", by the keys at its top; "" when it is neither."""
    counts = {kind: len(keys & {*raw}) for kind, keys in ONLY.items()}
    most = max(counts, key=lambda kind: counts[kind])
    return most if list(counts.values()).count(counts[most]) == 1 else ""


def kind_of_text(text: str) -> str:
    """As kind_of; "" for what is no TOML."""
    try:
        return kind_of(tomllib.loads(text))
    except (ValueError, RecursionError):
        return ""


def _refuse_the_other_kind(raw: dict[str, Any], name: str, model: type[BaseModel]) -> None:
    """A rig file where a trial file is due, or the other way round."""
    kind, due = kind_of(raw), kind_of(model.model_fields)
    if kind and due and not ONLY[due] & raw.keys():
        words = f"this is a {kind} file, not a {due} file"
        raise FileFault([Fault(name, None, "", words)])


def parse(text: str, name: str, model: type[Model], extra_checks: Sequence[Check] = ()) -> Model:
    """A model from TOML text; FileFault with every fault of it, `name` standing for the file."""
    raw, lines = _toml(text, name)
    _refuse_the_other_kind(raw, name, model)
    odd: dict[Place, str] = {}
    data = _clean(raw, (), odd)
    told: list[Told] = [(place, words, place) for place, words in odd.items()]
    made, refusal = None, ""
    try:
        made = model.model_validate_json(json.dumps(data), strict=True)
    except ValidationError as error:
        refusal = str(error)
        told += [one for one in _told(error, data, model) if one[0] not in odd]
    known = {place for place, _, _ in told}
    told += [(place, words, place) for place, words in unprintable(data, ()) if place not in known]
    problems: list[Problem] = [((place,), words) for place, words, _ in told]
    bad = {place for _, _, place in told if place is not None}
    problems += _Views(model, data, bad).crossed(extra_checks)
    if problems or made is None:
        raise FileFault(_faults(name, lines, problems or [(((),), refusal)]))
    return made


def _faults(name: str, lines: Lines, problems: list[Problem]) -> list[Fault]:
    """The problems with their lines, in the order of the file, none twice."""
    faults = set()
    for places, words in problems:
        place = next((place for place in places if place in lines), places[0])
        faults.add(Fault(name, lines.of(place), errors.dotted(place), words))
    return sorted(faults, key=lambda fault: (fault.line, fault.key, fault.words))


def load_model(
    path: Path, model: type[Model], extra_checks: Sequence[Check] = (), most: int = MAX_BYTES
) -> Model:
    """A model from a TOML file; FileFault as from parse, or if the file cannot be read."""
    return parse(read_text(path, most), str(path), model, extra_checks)


def load_rig(path: Path) -> Rig:
    """The rig of a rig file; FileFault as from load_model."""
    return load_model(path, Rig)


def read_text(path: Path, most: int = MAX_BYTES) -> str:
    """The text of a file that may be one of ours, of `most` bytes; FileFault if it is not read."""
    try:
        if path.exists() and not path.is_file():
            raise OSError("it is not a plain file")
        with path.open("rb") as stream:
            raw = stream.read(most + 1)
        if len(raw) > most:
            raise OSError(f"it is larger than {most} bytes, so hardly the file that is meant")
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
    if not name_or_path:
        raise NoName("a rig's name or file is empty; linehold rigs names some")
    if name_or_path in bundled_rigs():
        return Path(str(resources.files("firmware_py") / "rigs" / f"{name_or_path}.toml"))
    if Path(name_or_path).exists():
        return Path(name_or_path)
    names = bundled_rigs()
    words = f"no such rig file; bundled rigs: {', '.join(names)}"
    raise FileFault([Fault(name_or_path, None, "", words + errors.nearest(name_or_path, names))])
