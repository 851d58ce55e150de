"""The companion board's devices, each behind its protocol in drivers/protocols.py."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import TypeVar

from drivers.board_link import BoardLink
from drivers.samples import DriverSample, InertialSample, RangePing, ValveCommand

Told = TypeVar("Told")


class BoardBar:
    """The board behind drivers.protocols.RangeBar."""

    def __init__(self, link: BoardLink, device: str) -> None:
        self._link = link
        link.names["bar"] = device

    def read(self, now_s: float) -> Sequence[RangePing]:
        self._link.step(now_s)
        return _drain(self._link.pings)


class BoardInertial:
    """The board behind drivers.protocols.InertialSensor."""

    def __init__(self, link: BoardLink, device: str) -> None:
        self._link = link
        link.names["inertial"] = device

    def read(self, now_s: float) -> Sequence[InertialSample]:
        self._link.step(now_s)
        return _drain(self._link.inertial)


class BoardInputs:
    """The board behind drivers.protocols.DriverInputs."""

    def __init__(self, link: BoardLink, device: str) -> None:
        self._link = link
        link.names["driver"] = device

    def read(self, now_s: float) -> Sequence[DriverSample]:
        self._link.step(now_s)
        return _drain(self._link.driver)


class BoardValves:
    """The board behind drivers.protocols.Valves; the lease is its own."""

    def __init__(self, link: BoardLink) -> None:
        self._link = link

    def write(self, command: ValveCommand) -> None:
        self._link.command(command.left, command.right, command.time_s)

    def neutral(self, now_s: float) -> None:
        self._link.command(0.0, 0.0, now_s)


def _drain(waiting: deque[Told]) -> Sequence[Told]:
    found = tuple(waiting)
    waiting.clear()
    return found
