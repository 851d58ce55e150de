"""Runs the same controller over a log again and compares each tick bit for bit."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator
from itertools import zip_longest
from pathlib import Path
from typing import Any, Protocol

import msgspec

from drivers.samples import AnySample
from firmware_py import snapshot
from firmware_py.journal.header import Gap, Header
from firmware_py.journal.read import Recorded, State, read_log
from firmware_py.messages import AnyRequest, Tick

PROGRESS_EVERY = 500  # ticks: a few calls a second


class ControllerLike(Protocol):
    """One tick of computation, in a block whose STATE holds all that the next tick depends on."""

    def step(
        self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
    ) -> Tick: ...


class Difference(msgspec.Struct, frozen=True):
    """The first place where a run was not the same: the tick, the field and both values."""

    tick: int
    time_s: float
    field: str
    recorded: Any
    now: Any

    def words(self) -> str:
        return (
            f"differs first at tick {self.tick} (t = {self.time_s:.2f} s): "
            f"{self.field} {_shown(self.recorded)} recorded, {_shown(self.now)} now"
        )


class Outcome(msgspec.Struct, frozen=True):
    """What a replay found. unchecked: ticks between a gap and the next recorded state.

    lost says in sentences what the file lacks; it stays empty when a difference ended the pass.
    second says where another log follows in the same file, which was not compared.
    """

    ticks: int
    gaps: int
    missing: int
    unchecked: int
    difference: Difference | None
    lost: tuple[str, ...]
    second: str = ""

    @property
    def identical(self) -> bool:
        """Every tick that could be compared is the same; there must be one."""
        return self.difference is None and self.ticks > 0

    def words(self) -> str:
        if self.difference is not None:
            return self.difference.words()
        if not self.ticks:
            return f"nothing to compare: the log holds no tick to start from{self._but()}"
        first = "the first log in this file is " if self.second else ""
        return f"{first}identical{self._but()}: {self.ticks} ticks"

    def _but(self) -> str:
        parts = [f"{self.missing} ticks missing"] if self.missing else []
        parts += [f"{self.unchecked} before the next recorded state"] if self.unchecked else []
        gaps = "1 gap" if self.gaps == 1 else f"{self.gaps} gaps"
        return f" but for {gaps} ({', '.join(parts)})" if parts else ""

    def as_dict(self) -> dict[str, Any]:
        """For --json: the numbers, and the words as well. JSON has no NaN; they become text."""
        found: dict[str, Any] = msgspec.to_builtins(self)
        if self.difference is not None:
            for key in ("recorded", "now"):
                value = found["difference"][key]
                if isinstance(value, float) and not math.isfinite(value):
                    found["difference"][key] = str(value)
        return {"identical": self.identical, "words": self.words()} | found


class _Run:
    """One pass: a controller that is in step with the log, or waits for a state to be so."""

    def __init__(self, controller: ControllerLike) -> None:
        self._controller = controller
        self._encode = msgspec.msgpack.Encoder().encode
        self._in_step = False
        self._state: State | None = None  # the one just read, until the next record
        self._last: Recorded | None = None
        self.ticks = self.gaps = self.missing = self.unchecked = 0

    def take(self, entry: Recorded | State | Gap) -> Difference | None:
        if isinstance(entry, Recorded):
            return self._record(entry)
        if isinstance(entry, Gap):
            self.gaps += 1
            self.missing += entry.count
            self._in_step = False
            return None
        self._state = entry
        follows = self._last is not None and self._last.number == entry.number
        return self._compare_state(entry) if self._in_step and follows else None

    def outcome(
        self, difference: Difference | None, lost: tuple[str, ...], second: str = ""
    ) -> Outcome:
        return Outcome(
            self.ticks, self.gaps, self.missing, self.unchecked, difference, lost, second
        )

    def _record(self, entry: Recorded) -> Difference | None:
        state, self._state, self._last = self._state, None, entry
        if not self._in_step:
            if state is not None and state.number + 1 == entry.number:
                snapshot.put(self._controller, state.tree)
            elif entry.number > 0:
                self.unchecked += 1
                return None
            self._in_step = True
        tick = self._controller.step(entry.time_s, entry.samples, entry.requests)
        self.ticks += 1
        data = self._encode(tick)
        return None if data == entry.tick_bytes else _first_difference(entry, data)

    def _compare_state(self, entry: State) -> Difference | None:
        """A state that has drifted while the ticks still agree is found here, and named."""
        now = snapshot.take(self._controller)
        if self._last is None or self._encode(now) == self._encode(entry.tree):
            return None
        tick = self._last.tick
        pairs = zip_longest(snapshot.leaves(entry.tree), snapshot.leaves(now), fillvalue=("", None))
        for (path, recorded), (path_now, value) in pairs:
            if self._encode((path, recorded)) != self._encode((path_now, value)):
                return Difference(
                    tick.seq, tick.time_s, f"state {path or path_now}", recorded, value
                )
        return Difference(tick.seq, tick.time_s, "state", "one kind", "another")


def replay(
    path: str | Path,
    build: Callable[[Header], ControllerLike],
    progress: Callable[[float], None] | None = None,
) -> Outcome:
    """Replay a log on a controller fresh from `build`; stops at the first difference.

    progress gets the share of the log that is done. Raises LogError for a file that is no log,
    SnapshotError where a recorded state does not fit the controller.
    """
    log = read_log(path)
    run = _Run(build(log.header))
    for count, entry in enumerate(log):
        if (difference := run.take(entry)) is not None:
            return run.outcome(difference, ())
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress(log.done)
    if progress is not None:
        progress(1.0)
    return run.outcome(None, log.lost, log.second)


def _first_difference(entry: Recorded, data: bytes) -> Difference:
    tick = entry.tick
    now = msgspec.msgpack.decode(data, type=Tick)
    found = next(_walk(tick, now, ""), None)
    if found is None:  # the same numbers in another type, such as 0 for 0.0
        before, after = map(msgspec.msgpack.decode, (entry.tick_bytes, data))
        found = next(_walk(before, after, "tick"), ("tick", "one encoding", "another"))
    return Difference(tick.seq, tick.time_s, *found)


def _walk(a: Any, b: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    """Paths at which two ticks differ, with both values, in the order of their fields."""
    if type(a) is not type(b):
        yield path, a, b
    elif isinstance(a, msgspec.Struct):
        for name in a.__struct_fields__:
            yield from _walk(getattr(a, name), getattr(b, name), f"{path}.{name}".lstrip("."))
    elif isinstance(a, (list, tuple)) and len(a) == len(b):
        for i, (one, other) in enumerate(zip(a, b, strict=True)):
            yield from _walk(one, other, f"{path}[{i}]")
    elif isinstance(a, float):
        if struct.pack("<d", a) != struct.pack("<d", b):
            yield path, a, b
    elif a != b:
        yield path, a, b


def _shown(value: Any) -> str:
    """A value in words: text in quotes, numbers to the last bit, long things cut short."""
    text = str(value) if not isinstance(value, str) else f"'{value}'"
    return text if len(text) <= 80 else f"{text[:77]}..."
