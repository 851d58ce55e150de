"""A companion board at the simulated machine: its bar, its sensor and inputs, its valves.

What the simulated devices hand up goes out as frames when it is due, in the board's own time and
units; what the valves are told under the lease comes back to the machine.
"""

from __future__ import annotations

import math
from collections import deque

from drivers.board import codec
from drivers.samples import DriverSample, InertialSample, RangePing
from drivers.standins.board_talker import BoardTalker
from drivers.standins.serial_port import StandInLine

ACCEL, GYRO = 8192 / 9.80665, math.degrees(131.0)  # LSB per m/s2 and per rad/s, as it sets the chip
GREATEST = 32767


class MachineBoard(BoardTalker):
    """Fed by `tell` with what the simulated devices have ready and when."""

    def __init__(self, line: StandInLine, offset_s: float = 12.5, drift: float = 2e-5) -> None:
        super().__init__(line, offset_s=offset_s, drift=drift)
        del self.periods[codec.PING], self.periods[codec.INERTIAL]
        self._waiting: deque[tuple[float, RangePing | InertialSample | DriverSample]] = deque()
        self._batch: list[InertialSample] = []

    def tell(self, due_s: float, sample: RangePing | InertialSample | DriverSample) -> None:
        """Something that a device at the board has ready at that time."""
        self._waiting.append((due_s, sample))

    def advance(self, now_s: float) -> None:
        ready = [one for one in self._waiting if one[0] <= now_s]
        self._waiting = deque(one for one in self._waiting if one[0] > now_s)
        for due_s, sample in sorted(ready, key=lambda one: one[0]):
            super().advance(due_s)
            self._put(due_s, sample)
        super().advance(now_s)

    def commanded(self, now_s: float) -> tuple[float, float]:
        """What drives the valves now: the last command that counted, while armed and enabled."""
        self.advance(now_s)
        if not (self._armed and self.bits & codec.ENABLE and self.outputs):
            return 0.0, 0.0
        _, left, right = self.outputs[-1]
        return left / codec.FULL, right / codec.FULL

    def _put(self, due_s: float, sample: RangePing | InertialSample | DriverSample) -> None:
        if isinstance(sample, RangePing):
            self._tell_ping(due_s, sample)
        elif isinstance(sample, InertialSample):
            self._batch.append(sample)
            if len(self._batch) == codec.BATCH:
                self._tell_batch(due_s)
        else:
            self.bits = (
                codec.ENABLE * sample.enable
                + codec.LEFT * sample.left_hand
                + codec.RIGHT * sample.right_hand
            )

    def _tell_ping(self, due_s: float, ping: RangePing) -> None:
        self._ping = (self._ping + 1) & 0xFFFF
        self._pings[self._ping] = ping.time_s
        flights = [round(echo.flight_s * 1e6) for echo in ping.echoes][: codec.ECHOES]
        four = (*flights, 0, 0, 0, 0)[: codec.ECHOES]
        self._say(
            due_s, codec.PING, self.ticks(due_s), self._ping, ping.element, len(flights),
            self.ticks(ping.time_s), *four,
        )  # fmt: skip

    def _tell_batch(self, due_s: float) -> None:
        batch, self._batch = self._batch, []
        first = batch[0].time_s
        words: list[int] = []
        for one in batch:
            accel = (_word(value * ACCEL) for value in (one.ax, one.ay, one.az))
            warm = _word(((one.temperature_c or 25.0) - 36.53) * 340)
            gyro = (_word(value * GYRO) for value in (one.gx, one.gy, one.gz))
            words += [round((one.time_s - first) * 1e6), *accel, warm, *gyro]
        self._say(
            due_s, codec.INERTIAL, self.ticks(due_s), codec.MPU6050, codec.BATCH,
            self.ticks(first), *words,
        )  # fmt: skip


def _word(value: float) -> int:
    return min(max(round(value), -GREATEST), GREATEST)
