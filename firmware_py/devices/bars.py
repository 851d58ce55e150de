"""Range bars from their tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from drivers.board_devices import BoardBar as BoardBarDevice
from drivers.errors import DeviceError
from drivers.mixed import Joined
from drivers.range_bar import ElementBar
from drivers.rangers.build import i2c_bar, serial_bar
from drivers.rangers.i2c import I2cTraits
from drivers.rangers.uart import UartRanger, UartTraits
from firmware_py.devices.shared import Shared, on_board
from firmware_py.messages import Side
from firmware_py.settings import MM, Bar
from firmware_py.settings_bars import (
    BoardBar,
    BoughtBar,
    I2cBar,
    I2cRegistersBar,
    UartAsciiBar,
    UartBinaryBar,
)

MS = 1e-3


def open_bar(side: Side, bar: Bar, shared: Shared, now_s: float) -> Joined | None:
    """A real bar; None when it is simulated. DeviceError in one sentence where it is not there."""
    match bar:
        case UartAsciiBar() | UartBinaryBar():
            return _elements(_serial(bar, shared), _all_ports, side, now_s)
        case I2cBar() | I2cRegistersBar():
            return _elements(_on_bus(bar, shared), _all_addresses, side, now_s)
        case BoardBar():
            return _board(bar, shared)
    return None


def _serial(bar: UartAsciiBar | UartBinaryBar, shared: Shared) -> ElementBar:
    traits = UartTraits(
        trigger=bar.trigger, trigger_byte=bar.trigger_byte, latency_s=bar.latency_ms * MS,
        unit=bar.unit, **_common(bar),
    )  # fmt: skip
    digits = bar.digits if isinstance(bar, UartAsciiBar) else 4
    return serial_bar(
        bar.device, bar.kind, bar.ports, traits, baud=bar.baud, digits=digits, order=bar.order,
        pause_s=bar.pause_ms * MS, opener=shared.wires.line,
    )  # fmt: skip


def _on_bus(bar: I2cBar | I2cRegistersBar, shared: Shared) -> ElementBar:
    registers = isinstance(bar, I2cRegistersBar)
    traits = I2cTraits(
        wait_s=bar.wait_ms * MS, echoes=bar.echoes,
        gain=bar.gain if isinstance(bar, I2cRegistersBar) else None,
        unit="cm" if isinstance(bar, I2cRegistersBar) else bar.unit, **_common(bar),
    )  # fmt: skip
    return i2c_bar(
        bar.device, bar.kind, shared.bus(bar.bus), bar.addresses, traits, order=bar.order,
        pause_s=bar.pause_ms * MS, echoes="many" if registers else "one",
    )  # fmt: skip


def _common(bar: BoughtBar) -> dict[str, float]:
    return {
        "sound_mps": bar.sound_mps, "blind_m": bar.blind_mm * MM, "nothing_m": bar.nothing_mm * MM,
        "period_s": bar.period_ms * MS, "spread_s": bar.spread_ms * MS,
        "answer_s": bar.answer_ms * MS,
    }  # fmt: skip


def _elements(
    bar: ElementBar, wrong: Callable[[ElementBar, float], list[str]], side: Side, now_s: float
) -> Joined:
    """DeviceError with a line for each element that is not there."""
    bar.read(now_s)
    if whys := wrong(bar, now_s):
        bar.close()
        raise DeviceError("\n".join(f"bars.{side}, {why}" for why in whys))
    kind = "serial" if wrong is _all_ports else "I2C"
    return Joined(
        bar.name, bar, lambda: f"{len(bar.elements)} {kind} elements", bar.complaints,
        lambda: _counts(bar), reader=bar, bar=bar, close=bar.close, dead=bar.all_dead,
    )  # fmt: skip


def _counts(bar: ElementBar) -> Counter[str]:
    """The bar's own and those of all its elements, of their frames and of their ports."""
    found = sum((element.counts for element in bar.elements), bar.counts.copy())
    for element in bar.elements:
        if isinstance(element, UartRanger):
            found += element.decoder.counts
            found["port lost"] += element.port.counts["lost"]
    return found


def _all_ports(bar: ElementBar, now_s: float) -> list[str]:
    ports = [(n, getattr(element, "port", None)) for n, element in enumerate(bar.elements)]
    return [f"element {n}: {port.why}" for n, port in ports if port and not port.is_open]


def _all_addresses(bar: ElementBar, now_s: float) -> list[str]:
    """Elements that were fired a moment ago are deaf: that is an answer too."""
    found: list[str] = []
    for n, element in enumerate(bar.elements):
        bus, address = element.bus, element.address  # type: ignore[attr-defined]
        try:
            there = element.pending_s is not None or bus.answers(address, now_s)
        except DeviceError as error:  # the bus itself: so it is for all the others
            return [*found, f"element {n}: {error}"]
        if not there:
            words = "look at its power, its wires and its address (linehold address)"
            found.append(f"element {n}: nothing answers at 0x{address:02X} on {bus.path}; {words}")
    return found


def _board(bar: BoardBar, shared: Shared) -> Joined:
    link = shared.link(bar.on)
    device = BoardBarDevice(link, bar.device, bar.elements, bar.frame_ms * MS / bar.elements)
    device.gate(bar.reach_near_mm * MM, bar.reach_far_mm * MM)
    return on_board(bar.device, link, device, bar=device)
