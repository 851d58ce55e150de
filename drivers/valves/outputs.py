"""A valve's command to the channels of a PWM chip: proportional by two coils or by one centred
pulse, or on/off by two coils. Pure; -1..1 in, > 0 raises; 0 and what is no number: neutral.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Protocol

from drivers.errors import DeviceError

Levels = Mapping[int, float]  # channel: share of the period that it is high, 0..1; 0 is full off


class Output(Protocol):
    """One valve's way of being driven."""

    longest_s: float  # the longest pulse that must go into one PWM period; 0: any fits

    @property
    def channels(self) -> tuple[int, ...]:
        """The chip's channels that are this valve's."""
        ...

    def levels(self, command: float, now_s: float, period_s: float) -> Levels:
        """What each channel does from now on. period_s: of the chip's PWM."""
        ...

    def reset(self) -> None:
        """Neutral was ordered: forget what was under way."""
        ...


def bounded(command: float) -> float:
    """What is no number is neutral, what is too large is full."""
    return min(max(command, -1.0), 1.0) if math.isfinite(command) else 0.0


class TwoCoils:
    """A proportional valve: one coil raises, the other lowers, the current by the duty.

    floor, ceiling: duty at the least and the full command. The spool overlap is not made up for
    here: that is the controller's business.
    """

    longest_s = 0.0

    def __init__(
        self, raise_channel: int, lower_channel: int, floor: float = 0.0, ceiling: float = 1.0
    ) -> None:
        self._channels = _two(raise_channel, lower_channel)
        if not 0.0 <= floor < ceiling <= 1.0:
            raise DeviceError(f"duty from {floor:g} to {ceiling:g} is no range within 0 to 1")
        self._floor, self._span = floor, ceiling - floor

    def levels(self, command: float, now_s: float, period_s: float) -> Levels:
        up, down = self._channels
        value = bounded(command)
        if value == 0.0:
            return {up: 0.0, down: 0.0}
        duty = self._floor + self._span * abs(value)
        return {up: duty, down: 0.0} if value > 0.0 else {up: 0.0, down: duty}

    @property
    def channels(self) -> tuple[int, ...]:
        return self._channels

    def reset(self) -> None:
        """Nothing is under way."""


class CentredPulse:
    """An amplifier that takes a pulse width: the centre is neutral, longer raises.

    Orders of neutral take the pulse away altogether: the amplifier must shut without one.
    """

    def __init__(self, channel: int, centre_s: float = 1.5e-3, swing_s: float = 0.5e-3) -> None:
        if not 0.0 < abs(swing_s) < centre_s <= 0.01:
            raise DeviceError(
                f"a centre of {1e3 * centre_s:g} ms and a swing of {1e3 * swing_s:g} ms give no "
                "pulse; the swing is less than the centre, and that at most 10 ms"
            )
        self._channels = (_channel(channel),)
        self.longest_s = centre_s + abs(swing_s)
        self._centre_s, self._swing_s = centre_s, swing_s

    def levels(self, command: float, now_s: float, period_s: float) -> Levels:
        pulse_s = self._centre_s + self._swing_s * bounded(command)
        return {self._channels[0]: pulse_s / period_s}

    @property
    def channels(self) -> tuple[int, ...]:
        return self._channels

    def reset(self) -> None:
        """Nothing is under way."""


class OnOff:
    """An on/off valve: within each pulse period it is on for the command's share of it.

    A share too short for the valve is saved up until it is worth the least on-time, and a gap
    too short is left out. Full commands go straight through, so that a controller that does the
    pulsing itself loses nothing here.
    """

    longest_s = 0.0

    def __init__(
        self, raise_channel: int, lower_channel: int, pulse_s: float = 0.1, least_s: float = 0.03
    ) -> None:
        self._channels = _two(raise_channel, lower_channel)
        if not 0.0 < least_s <= 0.5 * pulse_s:
            raise DeviceError(
                f"a minimum on time of {1e3 * least_s:g} ms does not go into pulses of "
                f"{1e3 * pulse_s:g} ms; half of them is the most"
            )
        self._pulse_s, self._least_s = pulse_s, least_s
        self.reset()

    @property
    def channels(self) -> tuple[int, ...]:
        return self._channels

    def reset(self) -> None:
        """Off, with nothing saved up."""
        self._sign = 0.0
        self._saved_s = 0.0
        self._on_until_s = self._period_ends_s = -math.inf

    def levels(self, command: float, now_s: float, period_s: float) -> Levels:
        up, down = self._channels
        on = self._on(bounded(command), now_s)
        sign = self._sign
        return {up: float(on and sign > 0.0), down: float(on and sign < 0.0)}

    def _on(self, value: float, now_s: float) -> bool:
        if value == 0.0:
            self.reset()
            return False
        sign = math.copysign(1.0, value)
        if sign != self._sign:
            self.reset()
            self._sign = sign
        if abs(value) == 1.0:
            self._period_ends_s = -math.inf
            return True
        if now_s >= self._period_ends_s:
            self._begin(abs(value), now_s)
        return now_s < self._on_until_s

    def _begin(self, share: float, now_s: float) -> None:
        """A new pulse: so much of it on, with what was saved from earlier ones."""
        self._period_ends_s = now_s + self._pulse_s
        on_s = share * self._pulse_s + self._saved_s
        given_s = 0.0 if on_s < self._least_s else on_s
        if given_s > self._pulse_s - self._least_s:
            given_s = self._pulse_s
        self._saved_s = min(max(on_s - given_s, -self._pulse_s), self._pulse_s)
        self._on_until_s = now_s + given_s


def _channel(channel: int) -> int:
    if not 0 <= channel <= 15:
        raise DeviceError(f"channel {channel} is not on the chip; 0 to 15 are")
    return channel


def _two(a: int, b: int) -> tuple[int, int]:
    if a == b:
        raise DeviceError(f"channel {a} cannot both raise and lower; name two")
    return _channel(a), _channel(b)
