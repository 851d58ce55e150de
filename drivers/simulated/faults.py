"""Injected faults of devices, for tests. Times are seconds since the rig's first read.

Kinds for samples: "unplug" (none come), "freeze" (values repeat with new times), "stuck_time"
(times repeat with new values), "nan" (values are NaN), "jump" (ranges longer by `by` m).
Kinds for a bar's view: "block" (an object at range `at` m in front of it), "reference_gone".
Kinds for valves: "unplug" (commands are lost), "valve_shut" (`end`), "valve_runaway" (`end`,
`rate` m/s at the cylinder, up > 0); `end` is "left", "right" or absent for both.
"""

from __future__ import annotations

import math
from typing import Any, Generic, NamedTuple, TypeVar, cast

import msgspec

from drivers.samples import Echo, RangePing, Sample
from drivers.simulated.reference import NOMINAL_SOUND

S = TypeVar("S", bound=Sample)

SAMPLE_KINDS = ("unplug", "freeze", "stuck_time", "nan", "jump")
VIEW_KINDS = ("block", "reference_gone")
VALVE_KINDS = ("unplug", "valve_shut", "valve_runaway")


class Fault(NamedTuple):
    """One fault of one device, from start to end (s since the rig's first read)."""

    kind: str
    start: float
    end: float
    values: dict[str, Any]


class FaultList(Generic[S]):
    """The faults of one device, and those active in this physics step."""

    def __init__(self) -> None:
        self._all: list[Fault] = []
        self.active: list[Fault] = []
        self._held: dict[tuple[str, int], S] = {}

    def add(self, fault: Fault) -> None:
        self._all.append(fault)

    def step(self, since_start_s: float) -> None:
        """Find what is active now."""
        if self._all:
            self.active = self._during(since_start_s)
            if not self.active:
                self._held.clear()

    def find(self, kind: str) -> Fault | None:
        """The active fault of a kind, if any."""
        active = self.active
        return next((f for f in active if f.kind == kind), None) if active else None

    def at(self, kind: str, since_start_s: float) -> bool:
        """Whether a fault of a kind is active at that instant."""
        return any(f.kind == kind for f in self._during(since_start_s))

    def _during(self, since_start_s: float) -> list[Fault]:
        return [f for f in self._all if f.start <= since_start_s < f.end]

    def apply(self, sample: S) -> S | None:
        """What the device hands up instead of this sample; None for nothing."""
        for fault in self.active:
            if fault.kind == "unplug":
                return None
            if fault.kind == "freeze":
                sample = _later(self._first(fault, sample), sample.time_s)
            elif fault.kind == "stuck_time":
                sample = _later(sample, self._first(fault, sample).time_s)
            elif fault.kind == "nan":
                sample = _with_nan(sample)
            elif fault.kind == "jump" and isinstance(sample, RangePing):
                sample = cast(S, _longer(sample, 2.0 * float(fault.values["by"]) / NOMINAL_SOUND))
        return sample

    def _first(self, fault: Fault, sample: S) -> S:
        element = sample.element if isinstance(sample, RangePing) else 0
        return self._held.setdefault((fault.kind, element), sample)


def check(kind: str, device: str) -> None:
    """ValueError when this device cannot have this fault."""
    known: tuple[str, ...] = SAMPLE_KINDS
    if device == "valves":
        known = VALVE_KINDS
    elif device.startswith("bar."):
        known = SAMPLE_KINDS + VIEW_KINDS
    if kind not in known:
        raise ValueError(f"{device} has no fault {kind!r}, only {', '.join(known)}")


def _later(sample: S, time_s: float) -> S:
    """The same values at another time; a ping's echoes move with it."""
    if isinstance(sample, RangePing):
        shift = time_s - sample.time_s
        echoes = tuple(Echo(e.time_s + shift, e.flight_s) for e in sample.echoes)
        return msgspec.structs.replace(sample, time_s=time_s, echoes=echoes)
    return msgspec.structs.replace(sample, time_s=time_s)


def _longer(ping: RangePing, extra_s: float) -> RangePing:
    echoes = tuple(Echo(e.time_s + 0.5 * extra_s, e.flight_s + extra_s) for e in ping.echoes)
    return msgspec.structs.replace(ping, echoes=echoes)


def _with_nan(sample: S) -> S:
    """Every measured float becomes NaN; times and switches stay."""
    if isinstance(sample, RangePing):
        echoes = tuple(Echo(e.time_s, math.nan) for e in sample.echoes)
        return msgspec.structs.replace(sample, echoes=echoes)
    changes = {
        f.name: math.nan
        for f in msgspec.structs.fields(sample)
        if f.name != "time_s" and isinstance(getattr(sample, f.name), float)
    }
    return msgspec.structs.replace(sample, **changes)
