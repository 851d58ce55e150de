"""A log into columns, as far as it is whole. The rim: it reads a file."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from drivers.samples import AirSample, AnySample, InertialSample
from firmware_py.asgraded.columns import (
    GUIDES,
    LINKS,
    MODES,
    STATES,
    Columns,
    End,
    Floats,
    Hole,
    Run,
    Said,
)
from firmware_py.errors import LineholdError
from firmware_py.journal.header import Gap
from firmware_py.journal.read import Log, Recorded, read_log
from firmware_py.messages import SIDES, AnyRequest, Check, EndTick, Side, Tick

PROGRESS_EVERY = 1000  # ticks
NAN = float("nan")
# EndState, Guide, Link and Mode share some words; as text they would collide
STATE_CODE = {one: at for at, one in enumerate(STATES)}
GUIDE_CODE = {one: at for at, one in enumerate(GUIDES)}
MODE_CODE = {one: at for at, one in enumerate(MODES)}
LINK_CODE = {one: at for at, one in enumerate(LINKS)}

Progress = Callable[[float], None]


class ReportError(LineholdError, ValueError):
    """A log or a list from which no report can be made: one sentence."""


class _Ends:
    """One end's columns as they grow."""

    def __init__(self) -> None:
        self.numbers = tuple(array("d") for _ in range(6))
        self.codes = tuple(array("b") for _ in range(4))

    def put(self, end: EndTick, tick: Tick, side: Side) -> None:
        bar = next((one for one in tick.bars if one.end is side), None)
        values = (
            end.error_m, end.error_sd_m, end.offset_m, end.valve,
            None if bar is None else bar.clearance_m, None if bar is None else bar.clearance_sd_m,
        )  # fmt: skip
        for column, value in zip(self.numbers, values, strict=True):
            column.append(NAN if value is None else value)
        link = -1 if bar is None else LINK_CODE[bar.link]
        codes = (STATE_CODE[end.state], GUIDE_CODE[end.guide], end.capped, link)
        for code, value in zip(self.codes, codes, strict=True):
            code.append(value)

    def done(self) -> End:
        error, sd, offset, valve, clearance, clearance_sd = map(_floats, self.numbers)
        state, guide, capped, link = (np.array(c, np.int8) for c in self.codes)
        return End(
            error, sd, offset, valve, state, guide, capped.astype(bool), link, clearance,
            clearance_sd,
        )  # fmt: skip


def _floats(values: array[float]) -> Floats:
    """The same memory as an array: a whole day's ticks need not stand there twice."""
    return np.frombuffer(values, np.float64)


class _Growing:
    """All columns as they grow; temperatures hold their last value."""

    NAMES = (
        "time", "distance", "chainage", "speed", "crossfall", "crossfall_sd",
        "crossfall_target", "scheduled", "raised", "pitch", "chip_c", "air_c",
    )  # fmt: skip

    def __init__(self) -> None:
        self.ends = {side: _Ends() for side in SIDES}
        self.numbers = {name: array("d") for name in self.NAMES}
        self.seq = array("q")
        self.mode, self.engaged = array("b"), array("b")
        self.fault_sets: list[tuple[str, ...]] = []
        self.chip = self.air = NAN
        self.said: list[Said] = []
        self.refused: list[str] = []
        self.checks: list[Check] = []
        self._waiting: dict[int, AnyRequest] = {}

    def put(self, entry: Recorded) -> None:
        tick = entry.tick
        for sample in entry.samples:
            self._sample(sample)
        row = (
            entry.time_s, tick.distance_m, tick.chainage_m, tick.speed_mps,
            tick.crossfall, tick.crossfall_sd, tick.crossfall_target,
            tick.job_offset_m, tick.raised_m, tick.pitch,
            self.chip, self.air,
        )  # fmt: skip
        for column, value in zip(self.numbers.values(), row, strict=True):
            column.append(NAN if value is None else value)
        self.seq.append(entry.number)
        self.mode.append(MODE_CODE[tick.mode])
        self.engaged.append(tick.engaged)
        self.fault_sets.append(tick.faults)
        for side, end in self.ends.items():
            end.put(tick.end(side), tick, side)
        self._talk(entry, tick)

    def _sample(self, sample: AnySample) -> None:
        if isinstance(sample, InertialSample | AirSample) and sample.temperature_c is not None:
            if isinstance(sample, InertialSample):
                self.chip = sample.temperature_c
            else:
                self.air = sample.temperature_c

    def _talk(self, entry: Recorded, tick: Tick) -> None:
        """A request counts once its answer says that it was done."""
        for request in entry.requests:
            self._waiting[request.number] = request
        for answer in tick.answers:
            asked = answer.number in self._waiting
            if asked and answer.done:
                request = self._waiting.pop(answer.number)
                self.said.append(Said(entry.number, entry.time_s, request))
            elif not answer.done and answer.reason not in self.refused:
                self.refused.append(answer.reason)
        if tick.check is not None and (not self.checks or self.checks[-1] != tick.check):
            self.checks.append(tick.check)

    def done(self) -> Columns:
        names = tuple(sorted({name for one in set(self.fault_sets) for name in one}))
        faults = np.zeros((len(self.seq), len(names)), bool)
        at = {name: i for i, name in enumerate(names)}
        for row, active in enumerate(self.fault_sets):
            for name in active:
                faults[row, at[name]] = True
        return Columns(
            number=np.array(self.seq, np.int64), mode=np.array(self.mode, np.int8),
            engaged=np.array(self.engaged, np.int8).astype(bool), faults=faults,
            fault_names=names, ends={side: end.done() for side, end in self.ends.items()},
            **{name: _floats(values) for name, values in self.numbers.items()},
        )  # fmt: skip


def read_run(path: Path, progress: Progress | None = None) -> Run:
    """Read a log. LogError when it is none; ReportError when it holds no tick."""
    log = read_log(path)
    growing, gaps = _Growing(), list[Gap]()
    for count, entry in enumerate(log):
        if isinstance(entry, Recorded):
            growing.put(entry)
        elif isinstance(entry, Gap):
            gaps.append(entry)
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress(log.done)
    if not growing.seq:
        raise ReportError(f"{path} holds no tick: the run ended before it began")
    if progress is not None:
        progress(1.0)
    return _run(log, growing, gaps)


def _run(log: Log, growing: _Growing, gaps: list[Gap]) -> Run:
    columns, header = growing.done(), log.header
    settings = _checked(header.settings, log.path)
    return Run(
        log.path.name, columns, settings, header.notes, header.versions, header.started,
        tuple(growing.said), tuple(growing.refused), tuple(growing.checks),
        tuple(_holes(columns, gaps)), log.lost, header.job,
        header.start_m,
    )  # fmt: skip


def _checked(settings: dict[str, Any], path: Path) -> dict[str, Any]:
    """What the report leans on must be there; an older version's log may lack it."""
    for table, key in (("control", "tick_hz"), ("control", "master"), ("blade", "width_mm")):
        if key not in settings.get(table, {}):
            raise ReportError(f"{path}: the settings in the log lack {table}.{key}; it is no run's")
    return {"bars": {}, **settings}


def _holes(columns: Columns, gaps: list[Gap]) -> Iterator[Hole]:
    for gap in gaps:
        after = int(np.searchsorted(columns.number, gap.last))
        before = int(np.searchsorted(columns.number, gap.first)) - 1
        start = float(columns.time[before]) if before >= 0 else NAN
        end = float(columns.time[after]) if after < len(columns) else NAN
        yield Hole(gap.first, gap.last, start, end, gap.why)
