"""State out of blocks and back, bit for bit; what does not fit is refused by its path."""

from __future__ import annotations

import math
import struct
from collections import deque
from enum import IntEnum
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simple_pid import PID

from drivers.samples import AirSample, Echo, Validity
from firmware_py.messages import Guide, Mode, Side
from firmware_py.snapshot import SnapshotError, leaves, put, take


class Gear(IntEnum):
    LOW = 1
    HIGH = 2


class Inner:
    STATE = ("x", "history")

    def __init__(self) -> None:
        self.x = 0.0
        self.history: deque[tuple[float, float]] = deque(maxlen=4)
        self.gain = 3.0  # not state


class Outer:
    STATE = (
        "count", "mode", "maybe", "items", "pair", "table", "ends", "parts", "pid", "gear", "air",
    )  # fmt: skip

    def __init__(self) -> None:
        self.count = 0
        self.mode: Mode | None = None
        self.maybe: float | None = None
        self.items: list[Any] = []
        self.pair: tuple[Any, ...] = ()
        self.table: dict[Any, Any] = {}
        self.ends = {side: Inner() for side in Side}
        self.parts = [Inner(), Inner()]
        self.pid = PID(2.0, 0.5, 0.1, sample_time=None, time_fn=lambda: 0.0)
        self.gear = Gear.LOW
        self.air: AirSample | None = None


def used() -> Outer:
    """A block in which everything has changed."""
    block = Outer()
    block.count, block.mode, block.maybe, block.gear = 7, Mode.AUTO, -0.0, Gear.HIGH
    block.items = [1, 2.5, None, "x", True, [Guide.STRING, (1, 2)]]
    block.pair = (1.5, Side.LEFT)
    block.table = {"a": 1, Side.RIGHT: [math.inf], 3: {"deep": deque([1], maxlen=2)}}
    block.ends[Side.LEFT].x = math.nan
    block.ends[Side.RIGHT].history.extend([(0.1, 0.2), (0.3, 0.4)])
    block.parts[1].x = 5e-324
    block.air = AirSample("air", 1.0, Validity.OK, 21.5)
    block.pid(0.3, dt=0.01)
    block.pid(0.2, dt=0.01)
    return block


def carried(tree: Any) -> Any:
    """Through msgpack, as in a log."""
    return msgspec.msgpack.decode(msgspec.msgpack.encode(tree))


def same(a: Any, b: Any) -> bool:
    return bool(msgspec.msgpack.encode(a) == msgspec.msgpack.encode(b))


def test_a_whole_block_comes_back() -> None:
    old, new = used(), Outer()
    ends, parts, pid, history = new.ends, new.parts, new.pid, new.ends[Side.RIGHT].history
    put(new, carried(take(old)))
    assert same(take(new), take(old))
    assert (new.ends, new.parts, new.pid) == (ends, parts, pid)  # in place
    assert new.ends[Side.RIGHT].history is history
    assert history.maxlen == 4
    assert list(history) == [(0.1, 0.2), (0.3, 0.4)]


def test_types_come_back_also_where_the_attribute_was_none_or_empty() -> None:
    new = Outer()
    put(new, carried(take(used())))
    assert new.mode is Mode.AUTO
    assert new.gear is Gear.HIGH
    assert new.items[5] == [Guide.STRING, (1, 2)]
    assert isinstance(new.items[5][0], Guide)
    assert new.pair[1] is Side.LEFT
    assert list(new.table) == ["a", Side.RIGHT, 3]
    assert new.table[3]["deep"] == deque([1])
    assert new.air == AirSample("air", 1.0, Validity.OK, 21.5)
    assert isinstance(new.maybe, float)
    assert math.copysign(1.0, new.maybe) == -1.0


def test_a_restored_pid_goes_on_as_the_old_one() -> None:
    old, new = used(), Outer()
    put(new, carried(take(old)))
    assert [new.pid(v, dt=0.01) for v in (0.1, 0.4)] == [old.pid(v, dt=0.01) for v in (0.1, 0.4)]


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_floats_are_exact_to_the_bit(value: float) -> None:
    old, new = Inner(), Inner()
    old.x = value
    put(new, carried(take(old)))
    assert struct.pack("<d", new.x) == struct.pack("<d", value)


plain = st.none() | st.booleans() | st.integers(-(2**63), 2**64 - 1) | st.floats() | st.text()
values = st.recursive(
    plain | st.sampled_from([*Mode, *Side, *Gear]) | st.builds(Echo, st.floats(), st.floats()),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.lists(inner, max_size=4).map(tuple)
        | st.lists(inner, max_size=4).map(deque)
        | st.dictionaries(st.text() | st.sampled_from(Side), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(st.lists(values), st.dictionaries(st.text(), values))
def test_any_state_comes_back(items: list[Any], table: dict[str, Any]) -> None:
    old, new = Outer(), Outer()
    old.items, old.table = items, table
    put(new, carried(take(old)))
    assert same(take(new), take(old))
    assert repr(new.items) == repr(items)
    assert repr(new.table) == repr(table)


def test_leaves_name_every_value() -> None:
    found = dict(leaves(take(used())))
    assert found["count"] == 7
    assert found["mode"] == "auto"
    assert found["ends[right].history[1][0]"] == 0.3
    assert found["air.temperature_c"] == 21.5
    assert "pid._integral" in found


def changed(**attributes: Any) -> Outer:
    block = Outer()
    for name, value in attributes.items():
        setattr(block, name, value)
    return block


@pytest.mark.parametrize(
    ("attributes", "words"),
    [
        ({"count": "7"}, "Outer.count is of kind number, the state has str"),
        ({"count": True}, "Outer.count is of kind number, the state has bool"),
        ({"items": ()}, "Outer.items is of kind list, the state has tuple"),
        ({"gear": 1}, "Outer.gear is of kind enum, the state has number"),
        ({"gear": Side.LEFT}, "Outer.gear is a test_snapshot.Gear"),
        ({"pid": None}, "Outer.pid is of kind block, the state has none"),
        ({"parts": [Inner()]}, "Outer.parts has 2 blocks, the state has 1"),
        ({"ends": {Side.LEFT: Inner()}}, "Outer.ends has the keys"),
        ({"ends": {}}, "Outer.ends has the keys"),
    ],
)
def test_what_does_not_fit_is_named(attributes: dict[str, Any], words: str) -> None:
    with pytest.raises(SnapshotError, match=words):
        put(Outer(), carried(take(changed(**attributes))))


def test_a_deque_too_short_is_named() -> None:
    old = Inner()
    old.history = deque([(0.0, 0.0)] * 5)
    with pytest.raises(SnapshotError, match=r"Inner\.history holds at most 4 values"):
        put(Inner(), take(old))


def test_attributes_that_only_one_side_knows_are_named() -> None:
    tree = carried(take(Inner()))
    tree[1]["extra"] = 1
    with pytest.raises(SnapshotError, match=r"Inner\.extra is known to the state only"):
        put(Inner(), tree)
    del tree[1]["extra"], tree[1]["x"]
    with pytest.raises(SnapshotError, match=r"Inner\.x is known to the block only"):
        put(Inner(), tree)


@pytest.mark.parametrize(
    ("node", "words"),
    [
        (["enum", "no.such.Enum", 1], "Outer.mode is a no.such.Enum, which this program does not"),
        (["enum", "firmware_py.messages.Mode", "odd"], "Outer.mode does not fit: 'odd' is not"),
        (["riddle", 1], "Outer.mode has a node of kind 'riddle'"),
    ],
)
def test_values_that_cannot_be_made(node: Any, words: str) -> None:
    tree = carried(take(Outer()))
    tree[1]["mode"] = node
    with pytest.raises(SnapshotError, match=words):
        put(Outer(), tree)


@pytest.mark.parametrize("value", [object(), {1, 2}, b"bytes", 2**64, lambda: 0])
def test_what_is_no_state_cannot_be_taken(value: Any) -> None:
    with pytest.raises(SnapshotError, match=r"^Outer\.items\[0\] "):
        take(changed(items=[value]))


def test_an_attribute_that_does_not_exist() -> None:
    block = Inner()
    del block.x
    with pytest.raises(SnapshotError, match=r"Inner\.x stands in STATE but does not exist"):
        take(block)


def test_what_is_no_block_takes_no_state() -> None:
    with pytest.raises(SnapshotError, match="object is not a control block"):
        put(object(), take(Inner()))
