"""Bars of bought elements from plain values, as a rig file names them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from drivers.i2c import Bus
from drivers.port import LineOpener, Port, open_line
from drivers.range_bar import PAUSE, ElementBar
from drivers.rangers.decode import AsciiDecoder, BinaryDecoder, Decoder
from drivers.rangers.i2c import I2cTraits, PlainRanger, RegisterRanger
from drivers.rangers.reading import Element
from drivers.rangers.uart import UartRanger, UartTraits

SerialKind = Literal["uart-ascii", "uart-binary"]
I2cKind = Literal["i2c", "i2c-registers"]
Echoes = Literal["one", "many"]


def serial_bar(
    name: str,
    kind: SerialKind,
    ports: Sequence[str],
    traits: UartTraits,
    *,
    baud: int = 9600,
    digits: int = 4,
    order: Sequence[int] | None = None,
    pause_s: float = PAUSE,
    opener: LineOpener = open_line,
) -> ElementBar:
    """One port an element, from element 0 on; digits: of an ASCII frame."""

    def decoder() -> Decoder:
        return AsciiDecoder(digits) if kind == "uart-ascii" else BinaryDecoder()

    if len(set(ports)) != len(ports):
        raise ValueError(f"{name} names a port twice; each element has its own")
    elements = [UartRanger(Port(path, baud, opener), decoder(), traits) for path in ports]
    return ElementBar(name, elements, order=order, pause_s=pause_s)


def i2c_bar(
    name: str,
    kind: I2cKind,
    bus: Bus,
    addresses: Sequence[int],
    traits: I2cTraits,
    *,
    order: Sequence[int] | None = None,
    pause_s: float = PAUSE,
    echoes: Echoes = "one",
) -> ElementBar:
    """All elements on one bus, at these 7-bit addresses, from element 0 on."""
    if len(set(addresses)) != len(addresses):
        raise ValueError(f"{name} names an address twice; `linehold address` sets them")
    make = PlainRanger if kind == "i2c" else RegisterRanger
    elements: list[Element] = [make(bus, address, traits) for address in addresses]
    return ElementBar(name, elements, order=order, pause_s=pause_s, echoes=echoes)
