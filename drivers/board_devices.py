"""The companion board's devices, each behind its protocol in drivers/protocols.py.

`dead` says whether nothing has come for three of the periods in which the board tells such frames.
Ask after a read. An element that is broken cannot be told here from one that hears nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import TypeVar

from drivers.board_link import BoardLink
from drivers.samples import DriverSample, InertialSample, RangePing, ValveCommand

SLOWEST_SOUND, FASTEST_SOUND = 315.0, 360.0  # m/s, in air of -26 and 49 C
AFTER_S = 0.0012  # the board wants 1 ms from the gate's end to the next firing

Told = TypeVar("Told")

DEAD_PERIODS = 3
PING_S = 0.025  # between two pings, unless told otherwise
BATCH_S = 0.02  # four inertial samples at 200 Hz in a frame
INPUTS_S = 0.02


class _Told:
    """When something of a kind has last come."""

    period_s = math.inf

    def __init__(self, link: BoardLink) -> None:
        self._link = link
        self._told_s = -math.inf

    def dead(self, now_s: float) -> bool:
        """Nothing has come for three periods."""
        return not now_s - self._told_s <= DEAD_PERIODS * self.period_s

    @property
    def trouble(self) -> str:
        """What stands between us and a working board; empty when nothing does."""
        return self._link.why

    def _drain(self, waiting: deque[Told], now_s: float) -> Sequence[Told]:
        found = tuple(waiting)
        waiting.clear()
        if found:
            self._told_s = now_s
        return found


class BoardBar(_Told):
    """The board behind drivers.protocols.RangeBar."""

    def __init__(
        self, link: BoardLink, device: str, elements: int = 5, period_s: float = PING_S
    ) -> None:
        super().__init__(link)
        self.period_s, self._elements = period_s, elements
        link.names["bar"] = device

    def read(self, now_s: float) -> Sequence[RangePing]:
        self._link.step(now_s)
        return self._drain(self._link.pings, now_s)

    def gate(self, near_m: float, far_m: float) -> None:
        """The range gate, m: whatever the air, no echo inside it is blanked."""
        far_s = min(2.0 * far_m / SLOWEST_SOUND, self.period_s - AFTER_S)
        near_s = min(2.0 * max(near_m, 0.0) / FASTEST_SOUND, 0.5 * far_s)
        self._link.gate(near_s, far_s, self.period_s, self._elements)


class BoardInertial(_Told):
    """The board behind drivers.protocols.InertialSensor."""

    period_s = BATCH_S

    def __init__(self, link: BoardLink, device: str) -> None:
        super().__init__(link)
        link.names["inertial"] = device

    def read(self, now_s: float) -> Sequence[InertialSample]:
        self._link.step(now_s)
        return self._drain(self._link.inertial, now_s)


class BoardInputs(_Told):
    """The board behind drivers.protocols.DriverInputs."""

    period_s = INPUTS_S

    def __init__(self, link: BoardLink, device: str) -> None:
        super().__init__(link)
        link.names["driver"] = device

    def read(self, now_s: float) -> Sequence[DriverSample]:
        self._link.step(now_s)
        return self._drain(self._link.driver, now_s)


class BoardHeld:
    """For valves on a PWM chip whose output-enable the board holds: the board hears each command
    that the chip has taken, so that its lease, its enable input and frames' age judge it as well.
    """

    def __init__(self, link: BoardLink) -> None:
        self.link = link
        self.command: ValveCommand | None = None  # the one under way

    def __call__(self, now_s: float) -> None:
        """Renew: the chip has taken the command."""
        left, right = (self.command.left, self.command.right) if self.command else (0.0, 0.0)
        self.link.command(left, right, now_s)


class BoardValves:
    """The board behind drivers.protocols.Valves; the lease is its own."""

    def __init__(self, link: BoardLink) -> None:
        self._link = link

    def write(self, command: ValveCommand) -> None:
        self._link.command(command.left, command.right, command.time_s)

    def neutral(self, now_s: float) -> None:
        self._link.command(0.0, 0.0, now_s)


def armed(link: BoardLink, now_s: float) -> bool:
    """Whether the board holds the valves ready, by what it told last."""
    link.step(now_s)
    return link.armed and link.port.is_open
