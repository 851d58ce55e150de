"""A log as columns: one value a tick, NaN where nothing was known. SI units, radians.

Left and right are the driver's here; `along` (chainage.py) turns them to look up chainage.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firmware_py.messages import (
    SIDES,
    AnyRequest,
    Check,
    EndState,
    Guide,
    Link,
    Mode,
    Side,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.int8]

STATES = tuple(EndState)  # a code is a place in one of these; -1: none
GUIDES = tuple(Guide)
MODES = tuple(Mode)
LINKS = tuple(Link)


@dataclass(frozen=True)
class End:
    """One blade end: error and its sd (m), offset (m), valve (-1..1), codes of state and guide.

    link, clearance and its sd are of the end's own bar; -1 and NaN without one.
    """

    error: Floats
    error_sd: Floats
    offset: Floats
    valve: Floats
    state: Codes
    guide: Codes
    capped: Bools
    link: Codes
    clearance: Floats
    clearance_sd: Floats

    def states(self, *which: EndState) -> Bools:
        """Ticks in which the end is in one of these states."""
        return np.isin(self.state, [STATES.index(one) for one in which])


@dataclass(frozen=True)
class Columns:
    """A whole run; `faults` has one row a tick and one column a name in `fault_names`."""

    number: NDArray[np.int64]
    time: Floats
    distance: Floats
    chainage: Floats  # where the tick itself tells it; NaN otherwise
    speed: Floats
    mode: Codes
    crossfall: Floats
    crossfall_sd: Floats
    crossfall_target: Floats
    scheduled: Floats  # m that a job followed on the run added to both ends' targets
    raised: Floats  # m by which the targets stood over what was asked: a cut's limit, an obstacle
    lifted: Bools  # up for an obstacle of the job, or on the way down from it
    pitch: Floats
    chip_c: Floats  # temperature of the inertial sensor
    air_c: Floats
    engaged: Bools
    faults: Bools
    fault_names: tuple[str, ...]
    ends: dict[Side, End]

    def __len__(self) -> int:
        return int(self.time.size)

    def modes(self, *which: Mode) -> Bools:
        """Ticks in which the machine is in one of these modes."""
        return np.isin(self.mode, [MODES.index(one) for one in which])

    def fault(self, name: str) -> Bools:
        """Ticks in which a fault is active."""
        if name not in self.fault_names:
            return np.zeros(len(self), bool)
        return self.faults[:, self.fault_names.index(name)]


@dataclass(frozen=True)
class Said:
    """A request that was done, the tick that did it, and its time (s)."""

    number: int
    time: float
    request: AnyRequest


@dataclass(frozen=True)
class Hole:
    """Ticks that the log lacks: their numbers, and the times round them (NaN: not known)."""

    first: int
    last: int
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True)
class Run:
    """One log: its columns and what stands beside them."""

    name: str
    columns: Columns
    settings: dict[str, Any]
    notes: dict[str, str]
    versions: dict[str, str]
    started: str
    said: tuple[Said, ...]
    refused: tuple[str, ...]
    checks: tuple[Check, ...]  # check levels in the order in which they were taken
    holes: tuple[Hole, ...]
    lost: tuple[str, ...]  # sentences
    job: dict[str, Any]  # the job that was followed, as the log has it; empty without one
    start_m: float | None  # chainage that the run began at, where the log tells it

    @property
    def tick_s(self) -> float:
        """Length of a tick by the settings, s."""
        return 1.0 / float(self.settings["control"]["tick_hz"])

    @property
    def width(self) -> float:
        """Of the cutting edge, m."""
        return float(self.settings["blade"]["width_mm"]) * 1e-3

    @property
    def master(self) -> Side:
        return Side(self.settings["control"]["master"])

    @property
    def against(self) -> bool:
        """Driven against chainage."""
        return bool(self.settings["control"]["against_chainage"])

    def bar(self, side: Side) -> dict[str, Any] | None:
        """The settings of an end's bar."""
        found: dict[str, Any] | None = self.settings["bars"].get(side.value)
        return found

    def led(self) -> tuple[Side, ...]:
        """Ends that a bar of their own led at some time of the run."""
        hang = [GUIDES.index(one) for one in (Guide.STRING, Guide.EDGE, Guide.SURFACE)]
        return tuple(
            side for side in SIDES
            if self.bar(side) is not None and np.isin(self.columns.ends[side].guide, hang).any()
        )  # fmt: skip
