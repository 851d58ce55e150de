"""What requests and the tick's view need of a controller: its parts, by name.

A protocol, so that neither has to import the controller that calls it.
"""

from __future__ import annotations

from typing import Protocol

from drivers.samples import ValveCommand
from firmware_py.act.actuate import Actuate
from firmware_py.fuse.blade import Blade
from firmware_py.guard.levels import Levels
from firmware_py.guard.modes import Guard
from firmware_py.guide.follow import Follow
from firmware_py.guide.targets import Targets
from firmware_py.messages import Side
from firmware_py.sense.senses import Senses
from firmware_py.settings import Rig


class Parts(Protocol):
    """The blocks of a controller, and what can be set on the go (m)."""

    rig: Rig
    senses: Senses
    blade: Blade
    targets: Targets
    guard: Guard
    actuate: Actuate
    levels: Levels
    follow: Follow | None
    command: ValveCommand
    seq: int
    gate_near: float
    gate_far: float
    dead_band: float
    gate_middle: dict[Side, float | None]
    lasted: dict[Side, float]

    @property
    def undo_words(self) -> str: ...

    def set_dead_band(self, half_m: float) -> None: ...
