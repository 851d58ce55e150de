"""Two lift valves on a PWM chip, behind protocols.Valves; and a dry run that only reports.

Command > 0 raises. No call waits and none raises: `trouble` says what is wrong. Where a write
fails the lease is not renewed, so that what holds the output-enable lets go.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable
from typing import NamedTuple

from drivers.errors import DeviceError
from drivers.i2c import Bus, I2cError
from drivers.registers import RegisterChip
from drivers.samples import ValveCommand
from drivers.valves.fresh import STALE_S
from drivers.valves.lease import HOLDS_S, Renew, check_lease
from drivers.valves.outputs import Output, bounded
from drivers.valves.pca9685 import (
    ALL_OFF,
    AWAKE,
    NOMINAL_HZ,
    TABLE,
    channel_bytes,
    frequency,
    opening,
    prescale,
)

WHAT = "PCA9685"
RETRY_S = 0.25  # between two tries to open
FAILS = 3  # messages failed one after the other before the chip is opened anew
NONE = "no bar has fired yet"
CHECK_S = 0.1  # between two looks whether the chip still runs as it was set


class PwmValves:
    """Both valves on one PCA9685. The constructor refuses without a lease, and opens the chip.

    lease: "board" or "relay"; renew: called after each command that the chip has acknowledged;
    age: s, of the newest firing that a command may come from: older than STALE_S is neutral, and
    renews nothing.
    counts: nak, stuck_bus, no_bus, resting, short, io, forgot, lease, opened, no_number, stale.
    """

    def __init__(
        self,
        bus: Bus,
        left: Output,
        right: Output,
        *,
        lease: str | None,
        renew: Renew,
        age: Callable[[], float],
        pwm_hz: float = 200.0,
        oscillator_hz: float = NOMINAL_HZ,
        address: int = 0x40,
        now_s: float = 0.0,
    ) -> None:
        self.lease, self._renew, self._age = check_lease(lease), renew, age
        self.address, self.counts = address, Counter[str]()
        self.trouble: str | None = None
        self._outputs = (left, right)
        taken = [*left.channels, *right.channels]
        if len(set(taken)) != len(taken):
            raise DeviceError(f"channels {taken} of the two valves name one twice; each once")
        self._prescale = prescale(oscillator_hz, pwm_hz)
        self.period_s = 1.0 / frequency(oscillator_hz, self._prescale)
        for output in self._outputs:
            if output.longest_s >= self.period_s:
                raise DeviceError(
                    f"a pulse of {1e3 * output.longest_s:g} ms does not go into the "
                    f"{1e3 * self.period_s:.3g} ms of {pwm_hz:g} Hz; lower the frequency"
                )
        self._bus = bus
        self._chip: RegisterChip | None = None
        self._retry_s = self._checked_s = self._fed_s = -math.inf
        self._fails = 0
        try:
            self._open(now_s)
        except DeviceError as error:
            raise DeviceError(f"valves: {error}") from error

    @property
    def ready(self) -> bool:
        """The chip is there, set up, and does what it is told."""
        return self._chip is not None and not self._steps

    def fed(self, now_s: float) -> bool:
        """The lease was renewed so lately that it should still hold."""
        return now_s - self._fed_s <= HOLDS_S

    def write(self, command: ValveCommand) -> None:
        """Drive both valves. What is no number is neutral, and so is what is stale."""
        age_s = self._age()
        if not age_s <= STALE_S:
            self._stale(command.time_s, age_s)
            return
        values = (command.left, command.right)
        self.counts["no_number"] += sum(not math.isfinite(v) for v in values)
        now_s = command.time_s
        levels: dict[int, float] = {}
        for output, value in zip(self._outputs, values, strict=True):
            levels |= output.levels(value, now_s, self.period_s)
        self._send(now_s, levels)

    def neutral(self, now_s: float) -> None:
        """Full off on every output at once: no pulse at all, also on a centred one."""
        for output in self._outputs:
            output.reset()
        self._send(now_s, None)

    def close(self) -> None:
        """All outputs off, as far as the chip can still be reached."""
        try:
            if self._chip is not None:
                self._chip.write("ALL_LED_ON_L", *ALL_OFF)
        except DeviceError as error:
            self.trouble = f"valves: {error}"
        self._chip = None
        self._retry_s = math.inf

    def _stale(self, now_s: float, age_s: float) -> None:
        """All off, and the lease runs out unless something fresh comes before."""
        self.counts["stale"] += 1
        for output in self._outputs:
            output.reset()
        self._send(now_s, None, renew=False)
        if self.trouble is None:
            told = f"the newest firing of a bar is {age_s:.2f} s old" if age_s < math.inf else NONE
            self.trouble = f"valves: {told}; at most {STALE_S:g} s is right, so they are neutral"

    def _send(self, now_s: float, levels: dict[int, float] | None, *, renew: bool = True) -> None:
        """None: all off. Renews the lease only when the chip has taken everything."""
        try:
            if self._chip is None:
                if now_s < self._retry_s:
                    return
                self._open(now_s)
            chip = self._chip
            if chip is None:
                return
            chip.now_s = now_s
            if not self._stepped(chip, now_s):
                return
            self._check(chip, now_s)
            if levels is None:
                chip.write("ALL_LED_ON_L", *ALL_OFF)
            else:
                for channel in sorted(levels, key=levels.__getitem__):  # off before on
                    chip.write(f"LED{channel}_ON_L", *channel_bytes(levels[channel]))
        except DeviceError as error:
            self._failed(now_s, error)
            return
        self.trouble = None
        self._fails = 0
        if not renew:
            return
        try:
            self._renew(now_s)
            self._fed_s = now_s
        except OSError as error:
            self.counts["lease"] += 1
            self.trouble = f"valves: the lease cannot be renewed: {error}"

    def _failed(self, now_s: float, error: DeviceError) -> None:
        """Once may be a spark: the next command writes everything again. Then open anew."""
        self.trouble = f"valves: {error}"
        self._fails += 1
        spark = isinstance(error, I2cError)
        if spark and self._fails < FAILS and self._chip is not None:
            return
        self._chip = None
        self._retry_s = now_s + RETRY_S if spark else now_s

    def _open(self, now_s: float) -> None:
        """The outputs are shut here and now; the rest follows with the next commands."""
        chip = RegisterChip(self._bus, self.address, TABLE, self.counts)
        chip.now_s = now_s
        self._steps = deque(opening(self._prescale))
        self._next_s = -math.inf
        for output in self._outputs:
            output.reset()
        step = self._steps.popleft()
        chip.write(step.name, *step.data)
        self._chip = chip
        self.counts["opened"] += 1

    def _stepped(self, chip: RegisterChip, now_s: float) -> bool:
        """Take the steps that are due; True once all are taken."""
        while self._steps:
            if now_s < self._next_s:
                return False
            step = self._steps[0]
            chip.write(step.name, *step.data)
            self._steps.popleft()
            if step.then_s > 0.0:
                self._next_s = now_s + step.then_s
            self._checked_s = -math.inf
        return True

    def _check(self, chip: RegisterChip, now_s: float) -> None:
        """A chip that has lost its supply for a moment has forgotten what it was set to."""
        if now_s - self._checked_s < CHECK_S:
            return
        mode, scale = chip.read("MODE1"), chip.read("PRE_SCALE")
        if (mode & 0x7F, scale) != (AWAKE, self._prescale):
            self.counts["forgot"] += 1
            raise DeviceError(
                f"the {WHAT} has forgotten its settings (mode 0x{mode:02X}, prescale 0x{scale:02X})"
                "; its supply failed for a moment: look at its wires"
            )
        self._checked_s = now_s


class Told(NamedTuple):
    """One command of a dry run, as valves would have taken it."""

    time_s: float
    left: float
    right: float

    def __str__(self) -> str:
        return f"left {_words(self.left)}, right {_words(self.right)}"


class DryRunValves:
    """Drives nothing; keeps the last commands and hands each to `report`."""

    def __init__(self, report: Callable[[Told], None] | None = None, keep: int = 1000) -> None:
        self.told: deque[Told] = deque(maxlen=keep)
        self.trouble: str | None = None
        self._report = report

    def write(self, command: ValveCommand) -> None:
        told_now = Told(command.time_s, bounded(command.left), bounded(command.right))
        self.told.append(told_now)
        if self._report is not None:
            self._report(told_now)

    def neutral(self, now_s: float) -> None:
        self.write(ValveCommand(now_s, 0.0, 0.0))

    def close(self) -> None:
        """Nothing was open."""


def _words(value: float) -> str:
    if value == 0.0:
        return "shut"
    return f"{'raise' if value > 0.0 else 'lower'} {100 * abs(value):.0f} %"
