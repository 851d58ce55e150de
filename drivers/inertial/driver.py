"""Inertial sensor on I2C, behind protocols.InertialSensor: opening, reading, times, trouble.

`read` never waits: what must wait is a list of steps, taken one by one as their time comes. A
sample's time is that of the motion: when the chip had it ready, less the delay of its filters.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Sequence

from drivers.errors import DeviceError
from drivers.i2c import Bus, I2cError
from drivers.inertial.axes import Axes
from drivers.inertial.model import Fetch, Model, Reading
from drivers.inertial.self_test import SelfTest, Verdict
from drivers.inertial.timing import ChipClock, PollClock
from drivers.registers import RegisterChip, Write
from drivers.samples import InertialSample, Validity

RETRY_S = 0.25  # between two tries to open: a stuck bus takes its timeout out of the loop each time
FAILS = 3  # messages failed one after the other before the chip is opened anew
STUCK_PERIODS = 10  # without anything new the chip is opened anew ...
STUCK_S = 0.1  # s: ... but not before
DEAD_PERIODS = 3  # without a sample the sensor is dead


class Inertial:
    """One chip. The constructor opens it and checks which it is; it fails with DeviceError.

    counts: nak, stuck_bus, no_bus, resting, short, io, identity, overflow, stuck, opened.
    """

    def __init__(
        self,
        name: str,
        bus: Bus,
        model: Model,
        address: int,
        *,
        axes: Axes | None = None,
        now_s: float = 0.0,
    ) -> None:
        self.name, self.address = name, address
        self.counts: Counter[str] = Counter()
        self.trouble: str | None = None
        self.run = 0  # unbroken runs of samples so far
        self.verdict: Verdict | None = None
        self._bus, self._axes = bus, axes or Axes()
        self._test: SelfTest | None = None
        self._chip: RegisterChip | None = None
        self._retry_s = -math.inf
        self._fails = 0
        self._heard_s = self._sample_s = -math.inf
        self._use(model)
        try:
            self._open(now_s)
        except DeviceError as error:
            raise DeviceError(f"{name}: {error}") from error

    def _use(self, model: Model) -> None:
        self.model = model
        clock = ChipClock if model.fifo else PollClock
        self.clock: ChipClock | PollClock = clock(model.period_s)

    @property
    def identity(self) -> str:
        """Which device this is, for results that hold for it alone. No chip here has a serial."""
        return f"{self.model.what} at {self._bus.path} 0x{self.address:02X}"

    @property
    def spread_s(self) -> float:
        """How far a sample's time may be off at most, either way."""
        return self.model.spread_s + self.clock.spread_s

    def dead(self, now_s: float) -> bool:
        """No sample has come for three periods of the chip. Ask after a read."""
        return not now_s - self._sample_s <= DEAD_PERIODS * self.model.period_s

    def self_test(self) -> None:
        """Begin the chip's self-test; `verdict` has the outcome. No samples meanwhile."""
        if self._test is not None:
            return
        self.verdict, self._test = None, SelfTest(self.model.for_test())
        self._mine = self.model
        self._use(self._test.model)
        self._set_up(self.model.set_up)

    def read(self, now_s: float) -> Sequence[InertialSample]:
        """Whatever is new, oldest first; nothing while the chip is being set up or is gone."""
        try:
            if self._chip is None:
                if now_s < self._retry_s:
                    return []
                self._open(now_s)
            chip = self._chip
            if chip is None:
                return []
            chip.now_s = now_s
            if not self._stepped(chip, now_s):
                return []
            fetch = self.model.fetch(chip)
            self._fails = 0
            return self._taken(chip, now_s, fetch)
        except DeviceError as error:
            self._failed(now_s, error)
            return []

    def close(self) -> None:
        """Read no more. The bus is shared and stays open."""
        self._drop()
        self._retry_s = math.inf

    def _open(self, now_s: float) -> None:
        chip = RegisterChip(self._bus, self.address, self.model.table, self.counts)
        chip.now_s = now_s
        chip.identify(self.model.what, self.model.identity)
        self._chip = chip
        self.counts["opened"] += 1
        self._set_up(self.model.set_up)

    def _set_up(self, steps: Sequence[Write]) -> None:
        """Queue steps; after them a new run of samples begins."""
        self._steps = deque(steps)
        self._next_s = -math.inf
        self.clock.reset()
        self.model.forget()
        self.run += 1
        self._heard_s = -math.inf

    def _stepped(self, chip: RegisterChip, now_s: float) -> bool:
        """Take the steps that are due; True once all are taken and their waits are over."""
        while now_s >= self._next_s:
            if not self._steps:
                if self._heard_s == -math.inf:
                    self._heard_s = now_s
                return True
            step = self._steps[0]
            chip.write(step.name, step.value)
            self._steps.popleft()
            if step.then_s > 0.0:
                self._next_s = now_s + step.then_s
        return False

    def _taken(self, chip: RegisterChip, now_s: float, fetch: Fetch) -> list[InertialSample]:
        if fetch.overflow:
            self.counts["overflow"] += 1
            self._set_up(self.model.begin)
            return []
        if not fetch.readings:
            if now_s - self._heard_s > max(STUCK_S, STUCK_PERIODS * self.model.period_s):
                self.counts["stuck"] += 1
                raise DeviceError(f"{self.model.what} answers but measures nothing; set up anew")
            return []
        self._heard_s = now_s
        if self._test is not None:
            self._tested(chip, self._test, fetch.readings)
            return []
        self.trouble = self._rate_trouble()
        times = self.clock.take(now_s, len(fetch.readings), fetch.left)
        delay = self.model.delay_s
        return [
            self._sample(t - delay, r) for t, r in zip(times, fetch.readings, strict=True)
        ]  # fmt: skip

    def _sample(self, time_s: float, reading: Reading) -> InertialSample:
        accel, gyro = self._axes.turn(reading.accel), self._axes.turn(reading.gyro)
        self._sample_s = self._heard_s
        return InertialSample(
            self.name, time_s, Validity.OK, *accel, *gyro, reading.temperature_c
        )  # fmt: skip

    def _rate_trouble(self) -> str | None:
        if not self.clock.rate_off:
            return None
        return (
            f"{self.name}: samples come at {1 / self.clock.period_s:.0f} Hz and not at "
            f"{1 / self.model.period_s:.0f} Hz; check the supply of the sensor"
        )

    def _tested(self, chip: RegisterChip, test: SelfTest, readings: list[Reading]) -> None:
        if not test.take(readings):
            return
        if not test.forced:
            test.forced = True
            self._set_up(self.model.test_on)
            return
        self.verdict = test.verdict(chip)
        self._end_test()

    def _end_test(self) -> None:
        self._test = None
        self._use(self._mine)
        self._set_up(self.model.set_up)

    def _failed(self, now_s: float, error: DeviceError) -> None:
        """Once may be a spark; what goes on failing is opened anew."""
        self.trouble = f"{self.name}: {error}"
        self._fails += 1
        if self._test is not None:
            self.verdict = Verdict(False, (self.trouble,), None)
            self._end_test()
        if isinstance(error, I2cError) and self._fails < FAILS and self._chip is not None:
            if not self._steps:
                self._set_up(self.model.begin)  # its FIFO may be out of step
            return
        self._drop()
        self._retry_s = now_s + RETRY_S

    def _drop(self) -> None:
        self._chip = None
        self._fails = 0
