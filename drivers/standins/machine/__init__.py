"""MicroPython's `machine` where there is no board: pins that keep a record, and a little physics.

It runs under MicroPython's unix port, in the place of the module of that name. Interrupts are a
thread of their own, with the heap locked as on the board, so that they go on while the main
program hangs. What it does not imitate is in docs/board.md.

Environment: LINEHOLD_MACHINE_LOG names the file of the record, one `us what value` a line, on the
clock of time.monotonic(); LINEHOLD_MACHINE_ECHOES gives the flights of each element, in us, as
"3500,9000;3600"; LINEHOLD_MACHINE_INPUTS the pins that are closed to ground, "12,13,14".
"""

import os

from .parts import I2C, PWM, UART, WDT, Pin, Timer
from .world import world

PWRON_RESET, WDT_RESET = 1, 3

__all__ = ["I2C", "PWM", "UART", "WDT", "Pin", "Timer", "idle", "reset_cause", "unique_id"]


def idle() -> None:
    """The program rests for a moment; a turn of it that took long is put down."""
    world.turned()


def reset_cause() -> int:
    return WDT_RESET if os.getenv("LINEHOLD_MACHINE_CAUSE") == "watchdog" else PWRON_RESET


def unique_id() -> bytes:
    return b"STANDIN1"


world.start()
