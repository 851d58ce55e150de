"""What a device must offer, whatever it is: real, simulated or a stand-in on the wire.

No call blocks. `read` gives every sample that has become available up to `now_s`, oldest first;
an unplugged device gives none. Times are seconds on the caller's monotonic clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from drivers.samples import (
    AirSample,
    AnySample,
    DriverSample,
    InertialSample,
    MotionSample,
    RangePing,
    ValveCommand,
)


@runtime_checkable
class RangeBar(Protocol):
    """A bar of range elements that fire one by one."""

    def read(self, now_s: float) -> Sequence[RangePing]: ...


@runtime_checkable
class InertialSensor(Protocol):
    """Three accelerometers and three gyros on the blade."""

    def read(self, now_s: float) -> Sequence[InertialSample]: ...


@runtime_checkable
class AirThermometer(Protocol):
    """Air temperature near the bar."""

    def read(self, now_s: float) -> Sequence[AirSample]: ...


@runtime_checkable
class MotionSensor(Protocol):
    """Speed and distance over ground."""

    def read(self, now_s: float) -> Sequence[MotionSample]: ...


@runtime_checkable
class DriverInputs(Protocol):
    """Enable input and the sensing of the driver's hand on the levers."""

    def read(self, now_s: float) -> Sequence[DriverSample]: ...


@runtime_checkable
class Valves(Protocol):
    """Two lift valves behind a lease: without a fresh command they shut by themselves."""

    def write(self, command: ValveCommand) -> None: ...

    def neutral(self, now_s: float) -> None: ...


@runtime_checkable
class Rig(Protocol):
    """All devices of one machine, as the loop sees them."""

    def read(self, now_s: float) -> Sequence[AnySample]:
        """Everything new from every device, oldest first by arrival."""
        ...

    def write(self, command: ValveCommand) -> None: ...

    def close(self) -> None: ...
