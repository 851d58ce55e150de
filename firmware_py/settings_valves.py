"""The table of the two lift valves, and the kinds of outputs that drive them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field, Tag

from firmware_py.schema import UNKNOWN, Crossed, Part, View
from firmware_py.settings_kinds import (
    BY_KIND,
    BY_OUTPUT,
    BusName,
    Channel,
    DeviceName,
    Pin,
)

MHZ = 1e6


class Valves(Part):
    """The two lift valves."""

    device: DeviceName
    dead_time_ms: float = Field(ge=0, le=400)
    lag_ms: float = Field(ge=0, le=500)
    up_mm_s: float = Field(ge=10, le=500, description="of a blade end, both at full command")
    down_mm_s: float = Field(ge=10, le=500)
    overlap_pct: float = Field(ge=0, le=60)
    compensate_pct: float = Field(default=90, ge=0, le=100, description="share of it made up for")
    cylinder_left_mm: float = Field(default=600, ge=50, le=2500, description="off its middle")
    pulsed: bool = Field(default=False, description="on/off valves, pulsed")
    pulse_ms: float = Field(default=100, ge=20, le=1000)
    lease_ms: float = Field(default=200, ge=50, le=200)

    @property
    def leased(self) -> bool:
        """Whether something outside this program shuts them, and tells whether it is armed."""
        return self.kind in ("board", "pca9685")  # type: ignore[attr-defined]


class SimulatedValves(Valves):
    """The simulated rig's."""

    kind: Literal["simulated"] = "simulated"


def _two_channels(table: View) -> Iterator[Crossed]:
    match table.known("raise_channel", "lower_channel"):
        case [up, down] if up == down:
            yield Crossed(("lower_channel",), f"{down} raises as well; two channels are right")


def _duty(table: View) -> Iterator[Crossed]:
    match table.known("floor_pct", "ceiling_pct"):
        case [floor, ceiling] if floor >= ceiling:
            words = f"{floor:g} is not below ceiling_pct, {ceiling:g}"
            yield Crossed(("floor_pct", "ceiling_pct"), words)


def _pulse(table: View) -> Iterator[Crossed]:
    match table.known("pulse_ms", "least_ms"):
        case [pulse, least] if least > 0.5 * pulse:
            words = f"{least:g} is more than half of pulse_ms, {pulse:g}; half is the most"
            yield Crossed(("least_ms", "pulse_ms"), words)


def _swing(table: View) -> Iterator[Crossed]:
    match table.known("centre_us", "swing_us"):
        case [centre, swing] if not 0 < abs(swing) < centre:
            words = f"{swing:g} is not between 0 and centre_us, {centre:g}"
            yield Crossed(("swing_us", "centre_us"), words)


class Coils(Part):
    """A proportional valve: one coil raises, one lowers, the current by the duty."""

    output: Literal["coils"] = "coils"
    raise_channel: Channel
    lower_channel: Channel
    floor_pct: float = Field(default=0, ge=0, le=90, description="duty at the least command")
    ceiling_pct: float = Field(default=100, ge=10, le=100, description="duty at the full one")
    checks = (_two_channels, _duty)


class Pulse(Part):
    """An amplifier that takes a pulse width: the centre is neutral."""

    output: Literal["pulse"]
    channel: Channel
    centre_us: float = Field(default=1500, ge=100, le=10_000, description="neutral")
    swing_us: float = Field(default=500, ge=-5000, le=5000, description="to full raise")
    checks = (_swing,)


class OnOff(Part):
    """An on/off valve, pulsed by the driver."""

    output: Literal["on-off"]
    raise_channel: Channel
    lower_channel: Channel
    pulse_ms: float = Field(default=100, ge=20, le=1000, description="from pulse to pulse")
    least_ms: float = Field(default=30, ge=5, le=500, description="shortest time on")
    checks = (_two_channels, _pulse)


AnyOutput = Annotated[
    Annotated[Coils, Tag("coils")]
    | Annotated[Pulse, Tag("pulse")]
    | Annotated[OnOff, Tag("on-off")],
    BY_OUTPUT,
]


def _lease(valves: View) -> Iterator[Crossed]:
    match valves.known("lease", "relay_pin"):
        case ["relay", None]:
            yield Crossed(("lease",), '"relay" needs the pin that pulses it; add relay_pin')
        case [None | "board", int(pin)]:
            yield Crossed(("relay_pin",), f'{pin} has no use without lease = "relay"')


def _channels(valves: View) -> Iterator[Crossed]:
    taken: dict[Any, str] = {}
    for side in ("left", "right"):
        for key in ("channel", "raise_channel", "lower_channel"):
            channel = valves.get(f"{side}.{key}")
            if channel is UNKNOWN:
                continue
            if taken.get(channel, side) != side:
                words = f"{channel} is of the {taken[channel]} valve as well; each channel once"
                yield Crossed((f"{side}.{key}",), words)
            taken.setdefault(channel, side)


def _frequency(valves: View) -> Iterator[Crossed]:
    from drivers.errors import DeviceError
    from drivers.valves.pca9685 import frequency, prescale

    match valves.known("oscillator_mhz", "pwm_hz"):
        case [oscillator, pwm]:
            try:
                hz = frequency(oscillator * MHZ, prescale(oscillator * MHZ, pwm))
            except DeviceError as error:
                yield Crossed(("pwm_hz",), str(error))
                return
            for side in ("left", "right"):
                match valves.known(f"{side}.centre_us", f"{side}.swing_us"):
                    case [centre, swing] if (centre + abs(swing)) * 1e-6 >= 1.0 / hz:
                        words = f"{pwm:g} is too fast for a pulse of {centre + abs(swing):g} us"
                        yield Crossed(("pwm_hz",), words)


class Pca9685Valves(Valves):
    """A PWM chip. It keeps its last value when its master dies: without a lease, cues only."""

    kind: Literal["pca9685"]
    bus: BusName = Field(default="/dev/i2c-1")
    address: Annotated[int, Field(ge=0x40, le=0x7F)] = 0x40
    pwm_hz: float = Field(default=200, ge=24, le=1526)
    oscillator_mhz: float = Field(default=25, ge=23, le=27, description="measured")
    left: AnyOutput
    right: AnyOutput
    lease: Literal["board", "relay"] | None = Field(
        default=None, description="what holds the chip's output-enable; without it, cues only"
    )
    relay_pin: Pin | None = Field(default=None, description="that pulses the watchdog relay")
    on: DeviceName = Field(default="main", description='which of [boards], for lease = "board"')
    checks = (_lease, _channels, _frequency)


class BoardValves(Valves):
    """The companion board's own outputs, under its own lease."""

    kind: Literal["board"]
    on: DeviceName = Field(default="main", description="which of [boards]")


class DryRunValves(Valves):
    """Nothing is driven; each command is only told."""

    kind: Literal["dry-run"]


AnyValves = Annotated[
    Annotated[SimulatedValves, Tag("simulated")]
    | Annotated[Pca9685Valves, Tag("pca9685")]
    | Annotated[BoardValves, Tag("board")]
    | Annotated[DryRunValves, Tag("dry-run")],
    BY_KIND,
]
