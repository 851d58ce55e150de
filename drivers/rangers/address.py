"""Giving an I2C ranger another address, checked before and after.

Two chips at one address answer as one, so only one new chip may be on the bus at a time; nothing
here can see whether there are two.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Literal

from drivers.i2c import ADDRESSES, Bus, I2cError

Kind = Literal["plain", "registers"]

UNLOCK = (0xAA, 0xA5)  # PD11848k p. 3: 170, 165, then the new address as 8 bits, in one message
UNLOCK_REGISTERS = (0xA0, 0xAA, 0xA5)  # SRF08, "Changing the I2C Bus Address": one message each
FORBIDDEN = {0 >> 1, 80 >> 1, 164 >> 1, 170 >> 1}  # PD11848k p. 3, invalid address values
OF_REGISTERS = range(0x70, 0x78)  # SRF08: 0xE0 to 0xFE as 8 bits; from 0xF0 on I2C reserves them
RESERVED = range(0x08)  # UM10204 3.1.12
SETTLE = 0.2  # s to let the chip store it (common practice, no source)
RANGING = 0.1  # s for the reading that proves it (PD11848k p. 3: about 80 ms)

Wait = Callable[[float], None]
Clock = Callable[[], float]


class AddressError(I2cError):
    """The address was not changed, or not as asked."""


def refusal(new: int, kind: Kind) -> str:
    """Why a chip of this kind cannot have this 7-bit address; empty when it can."""
    if new not in ADDRESSES or new in RESERVED:
        return f"0x{new:02X} is no address for a chip; 0x08 to 0x77 are"
    if kind == "plain" and new in FORBIDDEN:
        return f"0x{new:02X} is refused by these chips (0x28, 0x52 and 0x55 are); take another"
    if kind == "registers" and new not in OF_REGISTERS:
        return f"0x{new:02X} is not for these chips; 0x70 to 0x77 are"
    return ""


def present(bus: Bus, addresses: Iterable[int], now_s: float) -> list[int]:
    """Which of these addresses are answered. One byte is read from each; nothing is written."""
    return [address for address in addresses if bus.answers(address, now_s)]


def set_address(bus: Bus, old: int, new: int, kind: Kind, *, clock: Clock, wait: Wait) -> int:
    """Move the one chip at `old` to `new`; its first reading there, raw. 7-bit addresses.

    `wait` waits so many seconds; this is for a command, never for the loop.
    """
    if why := refusal(new, kind):
        raise AddressError(why)
    if old == new:
        raise AddressError(f"the address is 0x{new:02X} already")
    if bus.answers(new, clock()):
        words = "take that chip off the bus, or take another address"
        raise AddressError(f"0x{new:02X} is taken; {words}")
    if not bus.answers(old, clock()):
        raise AddressError(f"nothing answers at 0x{old:02X}; look at its power and its wires")
    _write(bus, old, new, kind, clock)
    wait(SETTLE)
    _check_moved(bus, old, new, clock)
    return _range(bus, new, kind, clock, wait)


def _write(bus: Bus, old: int, new: int, kind: Kind, clock: Clock) -> None:
    eight_bits = new << 1
    if kind == "plain":
        bus.write(old, bytes([*UNLOCK, eight_bits]), clock())
        return
    for value in (*UNLOCK_REGISTERS, eight_bits):
        bus.write(old, bytes([0x00, value]), clock())


def _check_moved(bus: Bus, old: int, new: int, clock: Clock) -> None:
    at_new, at_old = bus.answers(new, clock()), bus.answers(old, clock())
    if at_new and not at_old:
        return
    if at_new:
        words = "there were two chips; wire one at a time"
        raise AddressError(f"0x{new:02X} answers now, but so does 0x{old:02X}: {words}")
    if at_old:
        words = "did not take the new address; is its address pin held, or is it of another kind?"
        raise AddressError(f"the chip at 0x{old:02X} {words}")
    words = "switch its power off and on, and look at both addresses"
    raise AddressError(f"neither 0x{old:02X} nor 0x{new:02X} answers; {words}")


def _range(bus: Bus, address: int, kind: Kind, clock: Clock, wait: Wait) -> int:
    """Fire once and read: what answers there is a ranger."""
    command = b"\x51" if kind == "plain" else b"\x00\x51"
    bus.write(address, command, clock())
    wait(RANGING)
    if kind == "plain":
        data = bus.read(address, 2, clock())
    else:
        data = bus.registers(address, 0x02, 2, clock())
    raw = int.from_bytes(data, "big")
    if raw == 0xFFFF:
        raise AddressError(f"0x{address:02X} answers, but gives no range")
    return raw
