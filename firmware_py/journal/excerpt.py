"""Cuts an interval out of a log into a log of its own, and writes a log's ticks as CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

import msgspec

from firmware_py.journal.header import CUT_AWAY, Gap, Header
from firmware_py.journal.read import Log, LogError, Recorded, State
from firmware_py.journal.store import Store
from firmware_py.messages import EndTick, Tick

PROGRESS_EVERY = 1000  # records

Progress = Callable[[float], None]


@dataclass(frozen=True)
class Excerpt:
    """What was cut out: first and last record's number and time (s), how many records, and the
    gaps inside that the whole log had as well."""

    first: int
    last: int
    start_s: float
    end_s: float
    records: int
    gaps: int


def cut(log: Log, first: int, last: int, path: Path, progress: Progress | None = None) -> Excerpt:
    """Write records first to last (numbers) into a new log, and a state before them if there is.

    It begins at the last state before `first`, so that a replay can follow it. Records keep their
    numbers; what was cut away in front stands in it as a gap, by name. LogError when the interval
    holds nothing; OSError when it cannot be written.
    """
    begin = _begin(log, first)
    store = _Cutting(log, path)
    try:
        for count, entry in enumerate(log):
            if progress is not None and count % PROGRESS_EVERY == 0:
                progress(log.done)
            store.put(entry, begin, last)
    finally:
        store.close()
    if store.first is None:
        raise LogError(f"{log.path} holds no record in that interval")
    return Excerpt(
        store.first.number, store.last.number, store.first.time_s, store.last.time_s, store.records,
        store.gaps,
    )  # fmt: skip


def _begin(log: Log, first: int) -> int:
    """The number after the last state at or before `first`; `first` itself without one."""
    states = [e.number + 1 for e in log if isinstance(e, State) and e.number + 1 <= first]
    return max(states, default=first)


class _Cutting:
    """A store that takes only what lies in the interval."""

    def __init__(self, log: Log, path: Path) -> None:
        notes = log.header.notes | {"cut from": log.path.name}
        self._store = Store(path, _with_notes(log.header, notes))
        self.first: Recorded | None = None
        self.last: Recorded
        self.records = self.gaps = 0

    def put(self, entry: Recorded | State | Gap, begin: int, last: int) -> None:
        if isinstance(entry, Recorded):
            if begin <= entry.number <= last:
                self._record(entry)
        elif isinstance(entry, State):
            if begin - 1 <= entry.number < last:
                if self.first is None and begin > 0 and entry.number == begin - 1:
                    self._store.add_gap(Gap(0, begin - 1, CUT_AWAY))
                self._store.add_state(entry.number, msgspec.msgpack.encode(entry.tree))
        elif begin <= entry.first and entry.last <= last:
            self._store.add_gap(entry)
            self.gaps += 1

    def _record(self, entry: Recorded) -> None:
        if self.first is None:
            self.first = entry
        self.last = entry
        self.records += 1
        self._store.add_record(entry.number, record_bytes(entry))

    def close(self) -> None:
        self._store.close()


def _with_notes(header: Header, notes: dict[str, str]) -> Header:
    return msgspec.structs.replace(header, notes=notes)


def record_bytes(entry: Recorded) -> bytes:
    """The record as it was stored: its tick's very bytes among the rest."""
    return msgspec.msgpack.encode(
        (entry.time_s, entry.samples, entry.requests, msgspec.Raw(entry.tick_bytes))
    )


END = (
    "guide", "state", "error_mm", "error_sd_mm", "offset_mm", "datum_mm", "rate_mm_s",
    "valve_pct", "cue_mm",
)  # fmt: skip
HEAD = (
    "number", "time_s", "mode", "why", "engaged", "distance_m", "speed_mps", "crossfall_pct",
    "crossfall_sd_pct", "crossfall_target_pct", "roll_deg", "pitch_deg", "steer_mm", "faults",
)  # fmt: skip
COLUMNS = (*HEAD, *(f"{side}_{name}" for side in ("left", "right") for name in END))
DEG = 57.29577951308232


def export_csv(log: Log, out: TextIO, progress: Progress | None = None) -> int:
    """One row a tick, mm and %; empty: not known. Returns how many."""
    write = csv.writer(out, lineterminator="\n")
    write.writerow(COLUMNS)
    done = 0
    for count, entry in enumerate(log):
        if isinstance(entry, Recorded):
            write.writerow(_row(entry))
            done += 1
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress(log.done)
    return done


def _row(entry: Recorded) -> Iterator[Any]:
    t: Tick = entry.tick
    yield from (
        entry.number, f"{entry.time_s:.4f}", t.mode.value, t.why, int(t.engaged),
        _cell(t.distance_m, 1.0, 3), _cell(t.speed_mps, 1.0, 3), _cell(t.crossfall, 100.0, 4),
        _cell(t.crossfall_sd, 100.0, 4), _cell(t.crossfall_target, 100.0, 4),
        _cell(t.roll, DEG, 4), _cell(t.pitch, DEG, 4), _cell(t.steer_m, 1e3, 2),
        ";".join(t.faults),
    )  # fmt: skip
    for end in (t.left, t.right):
        yield from _end(end)


def _end(e: EndTick) -> Iterator[str]:
    yield from (
        e.guide.value, e.state.value, _cell(e.error_m, 1e3, 3), _cell(e.error_sd_m, 1e3, 3),
        _cell(e.offset_m, 1e3, 2), _cell(e.datum_m, 1e3, 2), _cell(e.rate_mps, 1e3, 2),
        _cell(e.valve, 100.0, 2), _cell(e.cue_m, 1e3, 2),
    )  # fmt: skip


def _cell(value: float | None, scale: float, digits: int) -> str:
    return "" if value is None else f"{scale * value:.{digits}f}"
