"""What is known of a log without decoding it all: its header, and its first and last chunk."""

from __future__ import annotations

import fcntl
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from mmap import ACCESS_READ, mmap
from pathlib import Path

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.journal import header as heads
from firmware_py.journal.chunks import Chunk, check_ends, find_chunks, messages
from firmware_py.journal.read import Log, Recorded, State, read_log
from firmware_py.messages import Mode, Tick

ENDING = ".mcap"
PROGRESS_EVERY = 1000  # records
FRESH_S = 60.0  # a log that is not closed and was written to so lately may still grow


class _Record(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A record whose samples and requests stay as they are."""

    time_s: float
    samples: msgspec.Raw
    requests: msgspec.Raw
    tick: Tick


_DECODER = msgspec.msgpack.Decoder(_Record)


@dataclass(frozen=True)
class Glance:
    """One log: when it began, its length (s), size, way driven (m; None: not known), rig, end.

    written: it still is being written, as far as can be told.
    """

    path: Path
    started: str
    seconds: float
    bytes: int
    driven_m: float | None
    rig: str
    notes: dict[str, str]
    ended: str
    written: bool


def glance(path: Path) -> Glance:
    """Look at a log; LogError when it is none."""
    log = read_log(path)
    first, last, damage, closed = _ends(path)
    written = being_written(path)
    driven = _way(first, last)
    return Glance(
        path, log.header.started, _length(first, last), path.stat().st_size, driven,
        str(log.header.settings.get("name", "")), log.header.notes,
        _ended(last, damage, closed, written), written,
    )  # fmt: skip


def _ends(path: Path) -> tuple[_Record | None, _Record | None, int, bool]:
    """The first and the last record, how many chunks are damaged, and whether it was closed."""
    first: _Record | None = None
    last: Chunk | None = None
    damage = 0
    with path.open("rb") as file, mmap(file.fileno(), 0, access=ACCESS_READ) as data:
        for chunk in find_chunks(data):
            if not isinstance(chunk, Chunk):
                damage += 1
                continue
            if first is None:
                first = next(_records(chunk), None)
            if any(True for _ in _raw_records(chunk)):
                last = chunk
        closed = not check_ends(data, damage == 0)
    final = None if last is None else list(_records(last))
    return first, final[-1] if final else None, damage, closed


def _raw_records(chunk: Chunk) -> Iterator[bytes]:
    return (m.data for m in messages(chunk.content) if m.channel == heads.RECORD)


def _records(chunk: Chunk) -> Iterator[_Record]:
    for data in _raw_records(chunk):
        try:
            yield _DECODER.decode(data)
        except NO_MESSAGE:
            continue


def _length(first: _Record | None, last: _Record | None) -> float:
    return 0.0 if first is None or last is None else last.time_s - first.time_s


def _way(first: _Record | None, last: _Record | None) -> float | None:
    """Distance between the first and the last record, backing subtracted."""
    if last is None or last.tick.distance_m is None:
        return None
    began = first.tick.distance_m if first is not None else None
    return abs(last.tick.distance_m - (began or 0.0))


def _ended(last: _Record | None, damage: int, closed: bool, written: bool) -> str:
    if written:
        return "being written"
    if last is None:
        return "without a record"
    whole = "" if closed else "cut off; "
    whole += f"{damage} damaged chunks; " if damage else ""
    mode = "in automatic" if last.tick.mode is Mode.AUTO else last.tick.mode.value
    return f"{whole}{mode}" + (f": {last.tick.faults[0]}" if last.tick.faults else "")


def being_written(path: Path, now_s: float | None = None) -> bool:
    """Whether somebody writes to it: it is locked, or it is not closed and fresh."""
    with path.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:
            pass  # a disk without locks: the clock must do
        if math.fabs((time.time() if now_s is None else now_s) - path.stat().st_mtime) > FRESH_S:
            return False
        if not path.stat().st_size:
            return True
        with mmap(file.fileno(), 0, access=ACCESS_READ) as data:
            return bool(check_ends(data))


def find_logs(folder: Path) -> tuple[Path, ...]:
    """Every file that may be a log, in a folder and those below it, by name."""
    return tuple(sorted(path for path in folder.rglob(f"*{ENDING}") if path.is_file()))


@dataclass(frozen=True)
class Checked:
    """A whole pass over a log: records read, gaps and records missing, and what was lost.

    What was cut away on purpose is no loss.
    """

    records: int
    states: int
    gaps: int
    missing: int
    backwards: int  # records whose time is not after the one before
    lost: tuple[str, ...]

    @property
    def whole(self) -> bool:
        return not self.lost and not self.backwards and self.records > 0


def check(log: Log, progress: Callable[[float], None] | None = None) -> Checked:
    """Read all of a log and count; progress gets the share of it that is done."""
    records = states = gaps = missing = backwards = 0
    before = -math.inf
    for count, entry in enumerate(log):
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress(log.done)
        if isinstance(entry, Recorded):
            records += 1
            backwards += entry.time_s <= before
            before = entry.time_s
        elif isinstance(entry, State):
            states += 1
        elif entry.why != heads.CUT_AWAY:
            gaps, missing = gaps + 1, missing + entry.count
    lost = tuple(words for words in log.lost if not words.endswith(heads.CUT_AWAY))
    return Checked(records, states, gaps, missing, backwards, lost)
