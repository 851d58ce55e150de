"""What is told of the devices while a run lasts, and what the devices are told: outlets."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.mixed import SILENT, MixedRig, Said
from firmware_py.controller import Controller
from firmware_py.link.frames import Device, Devices, FromLoop, Note
from firmware_py.messages import AnyRequest, BarTick, Mark, Tick
from firmware_py.settings import DEG, MM, Bar, Rig

EVERY_S = 1.0
SHIFT = 0.010  # m; a gate that has moved by less is not told anew
SPARE = 0.020  # m; round the gate, for a bar that is between two looks
TILT = 10 * DEG  # of the bar at most: its clearance is square to it, the gate's is vertical
MARK = re.compile(r"^(?:pin )?at (\d+(?:\.\d+)?) ?m$")


class Talks(Protocol):
    """The end of the link that all listeners hear."""

    def tell(self, frame: FromLoop) -> None: ...


class DeviceTeller:
    """Tells all listeners of the devices once a second; of one that falls silent at once, but not
    oftener than once a second."""

    def __init__(self, controller: Controller, rig: MixedRig, server: Talks) -> None:
        self._intakes, self._rig, self._server = controller.senses.intakes, rig, server
        self._counts = dict.fromkeys(self._intakes, 0)
        self._due_s, self._last_s = -math.inf, 0.0
        self._wrong: dict[str, tuple[str, ...]] = {}

    def put(self, tick: Tick) -> None:
        """Each tick."""
        if tick.time_s < self._due_s:
            for name in self._rig.silent(tick.time_s):
                if not self._wrong.get(name):
                    self._complain(Said(name, "", (SILENT,), {}))
            return
        span = tick.time_s - self._last_s
        self._due_s, self._last_s = tick.time_s + EVERY_S, tick.time_s
        said = {one.name: one for one in self._rig.report(tick.time_s)}
        found = [self._device(name, tick.time_s, span, said.get(name)) for name in self._intakes]
        found += [_unread(one) for name, one in said.items() if name not in self._intakes]
        self._server.tell(Devices(tick.time_s, tuple(found)))
        for one in said.values():
            self._complain(one)

    def _device(self, name: str, now_s: float, span: float, said: Said | None) -> Device:
        intake = self._intakes[name]
        age, rate = intake.age(now_s), (intake.count - self._counts[name]) / span
        self._counts[name] = intake.count
        why = "; ".join(said.wrong) if said is not None and said.wrong else intake.why
        known = age if math.isfinite(age) else None
        return Device(name, known, rate, intake.dropped, why, _what(said))

    def _complain(self, one: Said) -> None:
        before = self._wrong.get(one.name, ())
        self._wrong[one.name] = one.wrong
        if bool(one.wrong) != bool(before):  # an age in the words changes each second
            words = "; ".join(one.wrong) or "is well again"
            self._server.tell(Note(words if words.startswith(one.name) else f"{one.name}: {words}"))


def _what(said: Said | None) -> str:
    """What a device is, and its counts: those of bad things stand beside the others."""
    if said is None:
        return ""
    counts = ", ".join(f"{name} {count}" for name, count in sorted(said.counts.items()))
    return f"{said.what} ({counts})" if counts else said.what


def _unread(said: Said) -> Device:
    """A device that gives the controller no samples: valves, a receiver."""
    return Device(said.name, 0.0, 0.0, 0, "; ".join(said.wrong), _what(said))


class GateTeller:
    """Tells each real bar its range gate when that has moved."""

    def __init__(self, rig: Rig, devices: MixedRig) -> None:
        self._bars, self._devices = rig.bars, devices
        self._told: dict[str, tuple[float, float]] = {}

    def put(self, tick: Tick) -> None:
        """Each tick; what has not moved is not told."""
        for one in tick.bars:
            bar = self._bars[one.end]
            near, far = reach(bar, one, tick.gate_near_m, tick.gate_far_m)
            before = self._told.get(bar.device)
            if before and abs(near - before[0]) < SHIFT and abs(far - before[1]) < SHIFT:
                continue
            self._told[bar.device] = near, far
            self._devices.gate(bar.device, near, far)


def reach(bar: Bar, tick: BarTick, near_m: float, far_m: float) -> tuple[float, float]:
    """The ranges between which an element may hear something that counts, m.

    An element hears the reference at a slant, at most its beam's half angle and the bar's tilt off
    the vertical; a fixed reflector is let through as well.
    """
    nearest, furthest = bar.reach_near_mm * MM, bar.reach_far_mm * MM
    if tick.gate_m is None:
        return nearest, furthest
    near = (tick.gate_m - near_m) * math.cos(TILT) - SPARE
    far = (tick.gate_m + far_m) / math.cos(bar.beam_half_angle_deg * DEG + TILT) + SPARE
    if bar.reflector_mm is not None:
        near, far = min(near, 0.9 * bar.reflector_mm * MM), max(far, 1.1 * bar.reflector_mm * MM)
    return max(near, nearest), min(far, furthest)


class Source(Protocol):
    """Where requests come from."""

    def take(self) -> Sequence[AnyRequest]: ...


class Marks:
    """Hands requests on; a mark "at 12.50 m" also puts the wheel right, which stands there."""

    def __init__(self, source: Source, devices: MixedRig, tell: Callable[[str], None]) -> None:
        self._source, self._devices, self._tell = source, devices, tell

    def take(self) -> Sequence[AnyRequest]:
        """What came since the last call."""
        found = self._source.take()
        for request in found:
            match = MARK.match(request.text) if isinstance(request, Mark) else None
            if match:
                self._tell(self._devices.at_mark(float(match[1])))
        return found
