"""Tables of the other devices: what every one states, and what each kind needs beside that."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field, Tag

from firmware_py.schema import Check, Crossed, Part, View
from firmware_py.settings_kinds import (
    BY_KIND,
    Address,
    Baud,
    BusName,
    DeviceName,
    PathName,
    Pin,
    one_port,
)


class Inertial(Part):
    """The inertial sensor on the blade."""

    device: DeviceName
    rate_hz: float = Field(default=200, ge=50, le=2000)
    ahead_mm: float = Field(default=1200, ge=-5000, le=5000, description="of the track centre")
    left_mm: float = Field(default=0, ge=-3000, le=3000, description="left of the track centre")
    zero_roll_deg: float = Field(default=0, ge=-15, le=15, description="reading on the level")
    zero_pitch_deg: float = Field(default=0, ge=-15, le=15)
    mount_yaw_deg: float = Field(default=0, ge=-10, le=10, description="sensor turned to the left")
    time_constant_s: float = Field(default=8, ge=1, le=60, description="of the gravity correction")


class SimulatedInertial(Inertial):
    """The simulated rig's."""

    kind: Literal["simulated"] = "simulated"


def _axes(table: View) -> Iterator[Crossed]:
    from drivers.errors import DeviceError
    from drivers.inertial.axes import Axes

    match table.known("axes"):
        case [[_, _, _] as axes]:
            try:
                Axes(*axes)
            except DeviceError as error:
                yield Crossed(("axes",), str(error))


def _mpu6050(table: View) -> Iterator[Crossed]:
    from drivers.errors import DeviceError
    from drivers.inertial.mpu6050 import Mpu6050

    match table.known("rate_hz", "accel_g", "gyro_dps", "filter_hz"):
        case [*values]:
            try:
                Mpu6050(*values) if values else None
            except DeviceError as error:
                yield Crossed(("rate_hz", "filter_hz"), str(error))


def _lsm6dso(table: View) -> Iterator[Crossed]:
    from drivers.errors import DeviceError
    from drivers.inertial.lsm6dso import Lsm6dso

    match table.known("rate_hz", "accel_g", "gyro_dps"):
        case [*values]:
            try:
                Lsm6dso(*values) if values else None
            except DeviceError as error:
                yield Crossed(("rate_hz",), str(error))


class ChipInertial(Inertial):
    """What the chips on an I2C bus share."""

    bus: BusName = Field(default="/dev/i2c-1")
    axes: list[Literal["+x", "-x", "+y", "-y", "+z", "-z"]] = Field(
        default=["+x", "+y", "+z"], min_length=3, max_length=3,
        description="the chip's axes that look forward, left and up",
    )  # fmt: skip
    checks: ClassVar[tuple[Check, ...]] = (_axes,)


class Mpu6050Inertial(ChipInertial):
    """An MPU-6050."""

    kind: Literal["mpu6050"]
    address: Address = Field(default=0x68)
    accel_g: Literal[2, 4, 8, 16] = Field(default=4, description="full scale")
    gyro_dps: Literal[250, 500, 1000, 2000] = Field(default=250, description="full scale, deg/s")
    filter_hz: Literal[21, 44, 94, 184] = Field(default=44, description="of its low-pass")
    fifo: bool = Field(default=True, description="a late tick then loses nothing")
    checks = (_axes, _mpu6050)


class Lsm6dsoInertial(ChipInertial):
    """An LSM6DSO."""

    kind: Literal["lsm6dso"]
    rate_hz: float = Field(default=208, ge=50, le=2000)
    address: Address = Field(default=0x6A)
    accel_g: Literal[2, 4, 8, 16] = Field(default=4, description="full scale")
    gyro_dps: Literal[250, 500, 1000, 2000] = Field(default=250, description="full scale, deg/s")
    checks = (_axes, _lsm6dso)


class Bno055Inertial(ChipInertial):
    """A BNO055 in raw mode."""

    kind: Literal["bno055"]
    rate_hz: float = Field(default=100, ge=100, le=100, description="this chip has no other")
    address: Address = Field(default=0x28)


class BoardInertial(Inertial):
    """The companion board's."""

    kind: Literal["board"]
    on: DeviceName = Field(default="main", description="which of [boards]")
    rate_hz: float = Field(default=200, ge=200, le=200, description="as its program sets it")


AnyInertial = Annotated[
    Annotated[SimulatedInertial, Tag("simulated")]
    | Annotated[Mpu6050Inertial, Tag("mpu6050")]
    | Annotated[Lsm6dsoInertial, Tag("lsm6dso")]
    | Annotated[Bno055Inertial, Tag("bno055")]
    | Annotated[BoardInertial, Tag("board")],
    BY_KIND,
]


class Thermometer(Part):
    """The air thermometer; its housing follows the air late."""

    device: DeviceName
    lag_s: float = Field(default=0, ge=0, le=300)


class SimulatedThermometer(Thermometer):
    """The simulated rig's."""

    kind: Literal["simulated"] = "simulated"


class FixedThermometer(Thermometer):
    """No thermometer: what somebody read off one. It must be put right as the day warms."""

    kind: Literal["fixed"]
    celsius: float = Field(ge=-40, le=60, description="of the air beside the bar")


class W1Thermometer(Thermometer):
    """A one-wire thermometer that the kernel reads."""

    kind: Literal["w1"]
    path: PathName = Field(description="its file `temperature` in /sys/bus/w1/devices")


AnyThermometer = Annotated[
    Annotated[SimulatedThermometer, Tag("simulated")]
    | Annotated[FixedThermometer, Tag("fixed")]
    | Annotated[W1Thermometer, Tag("w1")],
    BY_KIND,
]


class Motion(Part):
    """Speed and distance over ground."""

    device: DeviceName


class SimulatedMotion(Motion):
    """The simulated rig's."""

    kind: Literal["simulated"] = "simulated"


def _two_pins(table: View) -> Iterator[Crossed]:
    match table.known("pin_a", "pin_b"):
        case [a, b] if a == b:
            yield Crossed(("pin_b",), f"{b} is pin_a as well; two pins are right")


class WheelMotion(Motion):
    """A wheel of two tracks, or pulses with a pin that says backward."""

    kind: Literal["wheel"]
    pin_a: Pin = Field(description="first track; or the pulses")
    pin_b: Pin = Field(description="second track, a quarter of a pitch on; or the backward pin")
    pitch_mm: float = Field(ge=0.1, le=2000, description="way of one whole cycle of a track")
    pulses: bool = Field(default=False, description="one track, and a pin that says backward")
    closed_is_low: bool = Field(default=True, description="a closed contact pulls it to ground")
    checks = (_two_pins,)


AnyMotion = Annotated[
    Annotated[SimulatedMotion, Tag("simulated")] | Annotated[WheelMotion, Tag("wheel")], BY_KIND
]


class Driver(Part):
    """The driver's inputs."""

    device: DeviceName

    @property
    def senses_hand(self) -> bool:
        """Whether a hand on a lever is seen."""
        return True


class SimulatedDriver(Driver):
    """The simulated rig's."""

    kind: Literal["simulated"] = "simulated"


def _hands(table: View) -> Iterator[Crossed]:
    match table.known("sensing", "left_pins", "right_pins", "hand_pins"):
        case [None, left, right, hand] if left or right or hand:
            words = 'what do these pins sense? sensing = "lever", "pressure" or "buttons" is right'
            yield Crossed(("left_pins", "right_pins", "hand_pins"), words)
        case [str(sensing), left, right, hand] if not (hand or (left and right)):
            words = f'"{sensing}" needs pins for both ends; left_pins and right_pins, or hand_pins'
            yield Crossed(("sensing",), f"{words}, are right")


class GpioDriver(Driver):
    """Switches on the 40-pin header."""

    kind: Literal["gpio"]
    enable_pin: Pin = Field(description="closed while held")
    sensing: Literal["lever", "pressure", "buttons"] | None = Field(
        default=None, description="what the hand pins are; without it no hand is seen"
    )
    left_pins: list[Pin] = Field(default=[], description="a hand on the left lever")
    right_pins: list[Pin] = Field(default=[], description="a hand on the right lever")
    hand_pins: list[Pin] = Field(default=[], description="a hand on either: counts for both")
    closed_at_rest: bool = Field(
        default=False, description="hand switches open with a hand: a broken wire is then a hand"
    )
    closed_is_low: bool = Field(default=True, description="a closed contact pulls it to ground")
    steady_ms: float = Field(default=30, ge=5, le=500, description="without a change, so it counts")
    checks = (_hands,)

    @property
    def senses_hand(self) -> bool:
        """Only by the sensing that the table names."""
        return self.sensing is not None


class BoardDriver(Driver):
    """The companion board's inputs; its lever switches are closed at rest."""

    kind: Literal["board"]
    on: DeviceName = Field(default="main", description="which of [boards]")


AnyDriver = Annotated[
    Annotated[SimulatedDriver, Tag("simulated")]
    | Annotated[GpioDriver, Tag("gpio")]
    | Annotated[BoardDriver, Tag("board")],
    BY_KIND,
]


class Board(Part):
    """A companion board."""

    port: PathName = Field(description="by its place")
    baud: Baud = Field(default=460_800)
    usb: bool = Field(default=True, description="false: a UART by RS-485")
    identity: str | None = Field(
        default=None, pattern=r"^[0-9a-f]{16}$",
        description="the board's own; another board is refused; left out: any",
    )  # fmt: skip
    checks = (one_port,)


class Gnss(Part):
    """A satellite receiver: rough place and speed, told and never led by."""

    device: DeviceName
    port: PathName = Field(description="by its place")
    baud: Baud = Field(default=9600)
    checks = (one_port,)
