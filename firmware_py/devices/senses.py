"""Inertial sensor, thermometer, wheel, driver's inputs and receiver from their tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.air import FixedAir, W1Air
from drivers.board_devices import BoardInertial as BoardInertialDevice
from drivers.board_devices import BoardInputs
from drivers.errors import DeviceError
from drivers.inertial.axes import Axes
from drivers.inertial.bno055 import Bno055
from drivers.inertial.driver import Inertial as InertialDevice
from drivers.inertial.lsm6dso import Lsm6dso
from drivers.inertial.model import Model
from drivers.inertial.mpu6050 import Mpu6050
from drivers.inputs import OpenWithHand, Pin, PinInputs
from drivers.mixed import Joined
from drivers.wheel import EdgePin, Wheel
from firmware_py.devices.shared import Shared, on_board
from firmware_py.settings import MM, Driver, Gnss, Inertial, Motion, Thermometer
from firmware_py.settings_devices import (
    Bno055Inertial,
    BoardDriver,
    BoardInertial,
    ChipInertial,
    FixedThermometer,
    GpioDriver,
    Lsm6dsoInertial,
    Mpu6050Inertial,
    W1Thermometer,
    WheelMotion,
)

MS = 1e-3


def open_inertial(table: Inertial, shared: Shared, now_s: float) -> Joined | None:
    """A real inertial sensor; None when it is simulated."""
    match table:
        case BoardInertial():
            link = shared.link(table.on)
            board = BoardInertialDevice(link, table.device)
            return on_board(table.device, link, board)
        case Mpu6050Inertial():
            values = table.rate_hz, table.accel_g, table.gyro_dps, table.filter_hz, table.fifo
            return _chip(table, Mpu6050(*values), table.address, shared, now_s)
        case Lsm6dsoInertial():
            model = Lsm6dso(table.rate_hz, table.accel_g, table.gyro_dps)
            return _chip(table, model, table.address, shared, now_s)
        case Bno055Inertial():
            return _chip(table, Bno055(), table.address, shared, now_s)
    return None


def _chip(table: ChipInertial, model: Model, address: int, shared: Shared, now_s: float) -> Joined:
    chip = InertialDevice(
        table.device, shared.bus(table.bus), model, address, axes=Axes(*table.axes), now_s=now_s
    )
    return _told(chip, lambda: chip.identity, reads=True)


def open_air(table: Thermometer, shared: Shared) -> Joined | None:
    """A thermometer, or a number in its place; None when it is simulated."""
    match table:
        case FixedThermometer():
            fixed = FixedAir(table.device, table.celsius)
            return _told(fixed, lambda: f"{table.celsius:g} C, typed in", reads=True)
        case W1Thermometer():
            w1 = W1Air(table.device, Path(table.path), shared.wires.background)
            return _told(w1, lambda: Path(table.path).parent.name, reads=True)
    return None


def open_motion(table: Motion, shared: Shared) -> Joined | None:
    """A wheel; None when it is simulated."""
    if not isinstance(table, WheelMotion):
        return None
    wires = shared.wires

    def pins() -> tuple[EdgePin, EdgePin]:
        a = wires.edges(table.pin_a, wires.clock, table.closed_is_low)
        try:
            return a, wires.edges(table.pin_b, wires.clock, table.closed_is_low)
        except OSError:
            a.close()
            raise

    wheel = Wheel(table.device, pins, table.pitch_mm * MM, table.pulses)
    what = "pulses" if table.pulses else "wheel"
    return _told(
        wheel, lambda: f"{what}, {wheel.pitch_m / MM:.2f} mm a cycle", reads=True, motion=wheel
    )


def open_driver(table: Driver, shared: Shared) -> Joined | None:
    """The driver's inputs; None when they are simulated."""
    match table:
        case BoardDriver():
            link = shared.link(table.on)
            board = BoardInputs(link, table.device)
            return on_board(table.device, link, board, ", levers")
        case GpioDriver():
            inputs = PinInputs(
                table.device, _pins(table, shared), table.sensing, table.steady_ms * MS
            )
            return _told(inputs, lambda: f"pins, {table.sensing or 'no hand sensed'}", reads=True)
    return None


def _pins(table: GpioDriver, shared: Shared) -> dict[str, Callable[[], Pin]]:
    def plain(number: int) -> Pin:
        return shared.wires.input(number, table.closed_is_low)

    def hand(number: int) -> Pin:
        return OpenWithHand(plain(number)) if table.closed_at_rest else plain(number)

    pins: dict[str, Callable[[], Pin]] = {"enable": lambda: plain(table.enable_pin)}
    named = {"left": table.left_pins, "right": table.right_pins, "hand": table.hand_pins}
    for name, numbers in named.items():
        pins |= {f"{name}_{n}": lambda n=n: hand(n) for n in numbers}  # type: ignore[misc]
    return pins


def open_gnss(table: Gnss, shared: Shared) -> Joined:
    """A receiver. Its samples go nowhere: only its report is told."""
    from drivers.gnss import Gnss as Receiver

    receiver = Receiver(table.device, lambda: shared.wires.line(table.port, table.baud))

    def what() -> str:
        place = receiver.place
        if place is None:
            return "receiver, no place"
        return f"receiver, {place.latitude_deg:.5f}, {place.longitude_deg:.5f}"

    return Joined(
        table.device, receiver, what, lambda now: (receiver.trouble,) if receiver.trouble else (),
        lambda: receiver.counts, reader=_Silent(receiver), close=receiver.close, dead=receiver.dead,
    )  # fmt: skip


class _Silent:
    """Reads a device on, and hands nothing up."""

    def __init__(self, device: Any) -> None:
        self._device = device

    def read(self, now_s: float) -> tuple[()]:
        self._device.read(now_s)
        return ()


def _told(device: Any, what: Callable[[], str], *, reads: bool, motion: Any = None) -> Joined:
    """A device that has name, counts, trouble and close, and perhaps dead."""
    return Joined(
        device.name, device, what, lambda now: (device.trouble,) if device.trouble else (),
        lambda: device.counts, reader=device if reads else None, motion=motion,
        close=device.close, dead=getattr(device, "dead", lambda now: False),
    )  # fmt: skip


def check_name(table: str, error: DeviceError) -> list[str]:
    """The same sentences, each with the table of the rig file that it is about."""
    named = (table, "boards.")
    return [
        words if words.startswith(named) else f"{table}: {words}"
        for words in str(error).splitlines()
    ]
