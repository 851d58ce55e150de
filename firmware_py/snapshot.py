"""The state of control blocks, taken as a plain tree and put back bit for bit.

A block names its mutable attributes in STATE, a tuple of str. The tree says the kind of every
value ("tuple", "deque", an enum's name), for an attribute that is None or empty today cannot
tell what it held. Plain values stand for themselves, all others as a list: [kind, ...].
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from enum import Enum
from typing import Any, TypeVar

import msgspec
from simple_pid import PID

from firmware_py.errors import LineholdError

Tree = Any  # None, bool, int, float, str, or [kind, ...] of such

PID_STATE = (
    "_proportional",
    "_integral",
    "_derivative",
    "_last_time",
    "_last_output",
    "_last_error",
    "_last_input",
    "_auto_mode",
)
PLAIN = (type(None), bool, int, float, str)
INT_MIN, INT_MAX = -(2**63), 2**64 - 1  # what msgpack can hold
NONE, DICT, BLOCK, ENUM, STRUCT = "none", "dict", "block", "enum", "struct"
SEQUENCES: dict[type, str] = {list: "list", tuple: "tuple", deque: "deque"}
KINDS = {word: kind for kind, word in SEQUENCES.items()}

_T = TypeVar("_T")


class SnapshotError(LineholdError, ValueError):
    """A state that cannot be taken, or that does not fit the block it is put into."""


def take(block: object) -> Tree:
    """The whole state of a block as a tree that msgpack can carry."""
    return _take(block, type(block).__name__)


def put(block: object, tree: Tree) -> None:
    """Restore a block in place; after a SnapshotError it may be restored in part only."""
    path = type(block).__name__
    if _names(block) is None:
        raise SnapshotError(f"{path} is not a control block: it has no STATE")
    _put(block, tree, path)


def leaves(tree: Tree, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every plain value of a tree with its path, in order: to say where two states differ."""
    if not isinstance(tree, list):
        yield path, tree
    elif tree[0] == ENUM:
        yield path, tree[2]
    elif tree[0] in (BLOCK, STRUCT):
        for name, node in tree[-1].items():
            yield from leaves(node, f"{path}.{name}".lstrip("."))
    elif tree[0] == DICT:
        for key, node in tree[1]:
            yield from leaves(node, f"{path}[{_word(key)}]")
    else:
        for i, node in enumerate(tree[1]):
            yield from leaves(node, f"{path}[{i}]")


def _names(value: object) -> tuple[str, ...] | None:
    """Names of a block's state attributes; None for what is not a block."""
    if isinstance(value, PID):
        return PID_STATE
    names = None if isinstance(value, type) else getattr(value, "STATE", None)
    return names if isinstance(names, tuple) else None


def _full_name(kind: type) -> str:
    return f"{kind.__module__}.{kind.__qualname__}"


def _take(value: Any, path: str) -> Tree:
    kind = type(value)
    if kind in PLAIN:
        if kind is int and not INT_MIN <= value <= INT_MAX:
            raise SnapshotError(f"{path} = {value} does not fit into 64 bits")
        return value
    if kind in SEQUENCES:
        return [SEQUENCES[kind], [_take(v, f"{path}[{i}]") for i, v in enumerate(value)]]
    if kind is dict:
        return [DICT, [[_take(k, path), _take(v, f"{path}[{k}]")] for k, v in value.items()]]
    if isinstance(value, Enum):
        return [ENUM, _full_name(kind), _take(value.value, path)]
    names = _names(value)
    if names is not None:
        return [BLOCK, {name: _take(_get(value, name, path), f"{path}.{name}") for name in names}]
    if isinstance(value, msgspec.Struct):
        fields = {f: _take(getattr(value, f), f"{path}.{f}") for f in value.__struct_fields__}
        return [STRUCT, _full_name(kind), fields]
    raise SnapshotError(
        f"{path} is of type {_full_name(kind)}, which is no kind of state: use plain values, "
        "enums, structs, lists, tuples, deques, dicts or blocks with STATE"
    )


def _get(block: object, name: str, path: str) -> Any:
    try:
        return getattr(block, name)
    except AttributeError:
        raise SnapshotError(f"{path}.{name} stands in STATE but does not exist") from None


def _word(key: Tree) -> object:
    """A key as a person writes it: an enum's value, not its node."""
    return key[2] if isinstance(key, list) else key


def _kind_of(tree: Tree) -> str:
    """The kind of a node in a word: none, bool, number, str, list, dict, block, enum ..."""
    if isinstance(tree, list):
        return str(tree[0]) if tree else "nothing"
    if isinstance(tree, bool) or tree is None or isinstance(tree, str):
        return NONE if tree is None else type(tree).__name__
    return "number"


def _put(now: Any, tree: Tree, path: str) -> Any:
    """The value that the attribute gets: `now` itself, filled, wherever it can be filled."""
    kind = _kind_of(tree)
    have = _kind_now(now)
    if kind != have and (NONE not in (kind, have) or BLOCK in (kind, have)):
        raise SnapshotError(f"{path} is of kind {have}, the state has {kind}")
    if kind == BLOCK:
        return _put_block(now, tree, path)
    if kind in KINDS:
        return _put_sequence(now, tree, path)
    if kind == DICT:
        return _put_dict(now, tree, path)
    made = _make(tree, path)
    if kind in (ENUM, STRUCT) and have != NONE and type(made) is not type(now):
        raise SnapshotError(f"{path} is a {_full_name(type(now))}, the state has {tree[1]}")
    return made


def _kind_now(value: Any) -> str:
    if isinstance(value, Enum):
        return ENUM
    kind = type(value)
    if kind in SEQUENCES:
        return SEQUENCES[kind]
    if kind is dict:
        return DICT
    if _names(value) is not None:
        return BLOCK
    if isinstance(value, msgspec.Struct):
        return STRUCT
    return _kind_of(value) if kind in PLAIN else _full_name(kind)


def _put_block(block: Any, tree: Tree, path: str) -> Any:
    """Fill a block attribute by attribute; nested blocks stay the objects that they are."""
    names = _names(block) or ()
    states = tree[1]
    odd = set(names) ^ set(states)
    if odd:
        where = "block" if min(odd) in names else "state"
        raise SnapshotError(f"{path}.{min(odd)} is known to the {where} only")
    for name in names:
        now = _get(block, name, path)
        value = _put(now, states[name], f"{path}.{name}")
        if value is not now:
            setattr(block, name, value)
    return block


def _holds_blocks(nodes: list[Tree]) -> bool:
    return any(_kind_of(node) == BLOCK for node in nodes)


def _put_sequence(now: Any, tree: Tree, path: str) -> Any:
    nodes = tree[1]
    if _holds_blocks(nodes) or any(_names(v) is not None for v in now or ()):
        if now is None or len(now) != len(nodes):
            have = "nothing" if now is None else len(now)
            raise SnapshotError(f"{path} has {have} blocks, the state has {len(nodes)}")
        for i, (value, node) in enumerate(zip(now, nodes, strict=True)):
            _put(value, node, f"{path}[{i}]")
        return now
    values = [_make(node, f"{path}[{i}]") for i, node in enumerate(nodes)]
    if now is None or isinstance(now, tuple):
        return KINDS[tree[0]](values)
    maxlen = getattr(now, "maxlen", None)
    if maxlen is not None and len(values) > maxlen:
        raise SnapshotError(f"{path} holds at most {maxlen} values, the state has {len(values)}")
    now.clear()
    now.extend(values)
    return now


def _put_dict(now: dict[Any, Any] | None, tree: Tree, path: str) -> dict[Any, Any]:
    pairs = {_make(k, f"{path} key"): node for k, node in tree[1]}
    now = {} if now is None else now
    if _holds_blocks(list(pairs.values())) or any(_names(v) is not None for v in now.values()):
        if set(now) != set(pairs):
            have, held = sorted(map(str, now)), sorted(map(str, pairs))
            raise SnapshotError(f"{path} has the keys {have}, the state has {held}")
        for key, node in pairs.items():
            _put(now[key], node, f"{path}[{key}]")
        return now
    values = {key: _make(node, f"{path}[{key}]") for key, node in pairs.items()}
    now.clear()
    now.update(values)
    return now


def _make(tree: Tree, path: str) -> Any:
    """Make a value anew from its node."""
    if not isinstance(tree, list):
        return tree
    kind = _kind_of(tree)
    if kind in KINDS:
        return KINDS[kind](_make(node, f"{path}[{i}]") for i, node in enumerate(tree[1]))
    if kind == DICT:
        return {_make(k, path): _make(node, f"{path}[{_word(k)}]") for k, node in tree[1]}
    if kind == ENUM:
        return _build(_find(Enum, tree[1], path), path, _make(tree[2], path))
    if kind == STRUCT:
        fields = {name: _make(node, f"{path}.{name}") for name, node in tree[2].items()}
        return _build(_find(msgspec.Struct, tree[1], path), path, **fields)
    raise SnapshotError(f"{path} has a node of kind '{kind}', which is unknown here")


def _build(make: Callable[..., _T], path: str, *args: Any, **fields: Any) -> _T:
    try:
        return make(*args, **fields)
    except (ValueError, TypeError) as error:
        raise SnapshotError(f"{path} does not fit: {error}") from None


def _find(base: type[_T], name: str, path: str) -> type[_T]:
    """The class of that name among those already loaded; nothing is imported from a file."""
    for kind in _below(base):
        if _full_name(kind) == name:
            return kind
    raise SnapshotError(f"{path} is a {name}, which this program does not know")


def _below(base: type[_T]) -> Iterator[type[_T]]:
    for kind in type.__subclasses__(base):
        yield kind
        yield from _below(kind)
