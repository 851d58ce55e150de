"""How ports, buses, pins and files are reached: the system's own, or stand-ins in their place."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from drivers.air import Background
from drivers.i2c import I2cBus, open_bus
from drivers.inputs import GpioInput, GpioOutput, OutputPin, Pin
from drivers.port import LineOpener, open_line
from drivers.wheel import EdgePin, GpioEdges

Clock = Callable[[], float]


def in_thread(act: Callable[[], None], every_s: float) -> Callable[[], None]:
    """Background for what waits in the kernel: a thread that sleeps or waits, and does no more."""
    over = threading.Event()

    def run() -> None:
        while not over.wait(every_s):
            act()

    threading.Thread(target=run, name="background", daemon=True).start()
    return over.set


@dataclass(frozen=True)
class Wires:
    """input, edges: GPIO number, and whether a closed contact pulls it low. wait: s, only used
    while devices are opened, before the loop runs."""

    line: LineOpener = open_line
    bus: Callable[[str], I2cBus] = open_bus
    input: Callable[[int, bool], Pin] = GpioInput
    output: Callable[[int], OutputPin] = GpioOutput
    edges: Callable[[int, Clock, bool], EdgePin] = GpioEdges
    clock: Clock = time.monotonic
    wait: Callable[[float], None] = time.sleep
    background: Background = in_thread
