"""The board's end of the cable: USB, which MicroPython has as standard input, or a UART."""

import select
import sys

import machine  # type: ignore[import-not-found]

from . import pins

AT_ONCE = 64  # bytes in one turn: the rest of the program must go on


class Usb:
    def __init__(self) -> None:
        import micropython  # type: ignore[import-not-found]

        micropython.kbd_intr(-1)  # byte 03 is data here, not Ctrl-C
        self._coming = select.poll()
        self._coming.register(sys.stdin, select.POLLIN)
        self._going = select.poll()
        self._going.register(sys.stdout, select.POLLOUT)

    def read(self) -> bytes:
        """What has come; byte by byte, for more than is there would wait."""
        out = bytearray()
        while len(out) < AT_ONCE and self._coming.poll(0):
            byte = sys.stdin.buffer.read(1)
            if not byte:
                break
            out.extend(byte)
        return bytes(out)

    def write(self, data: bytes) -> bool:
        """False when nobody takes bytes: the frame is dropped, never waited for."""
        if not self._going.poll(0):
            return False
        sys.stdout.buffer.write(data)
        return True


class Uart:
    def __init__(self) -> None:
        self._uart = machine.UART(
            pins.UART,
            baudrate=pins.UART_BAUD,
            tx=machine.Pin(pins.UART_TX),
            rx=machine.Pin(pins.UART_RX),
            timeout=0,
            txbuf=512,
            rxbuf=512,
        )

    def read(self) -> bytes:
        return bytes(self._uart.read(AT_ONCE) or b"")

    def write(self, data: bytes) -> bool:
        return bool(self._uart.write(data) == len(data))


def open_wire() -> "Usb | Uart":
    return Usb() if pins.WIRE == "usb" else Uart()
