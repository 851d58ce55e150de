"""The simulated machine at the far ends of wires: chips, ports and pins say what it feels.

Real drivers read them through `wires`, all on virtual time. What the simulated devices would hand
up themselves (noise, dropouts and latency in it) is what the chips see, so that the two ways differ
by the wire alone: steps, frames, polling, clocks.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.samples import (
    AirSample,
    AnySample,
    InertialSample,
    LeaseSample,
    MotionSample,
    ValveCommand,
)
from drivers.simulated.bar import SimulatedBar
from drivers.simulated.device import AnyDevice, Device
from drivers.simulated.rig import SimulatedRig
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.inertial_chips import InertialChip, Mpu6050Chip
from drivers.standins.machine_board import MachineBoard
from drivers.standins.pca9685 import Pca9685Chip
from drivers.standins.pins import StandInOutput, StandInPin, StandInWheel, WatchdogRelay
from drivers.standins.rangers import BinaryRanger, Sight
from drivers.standins.serial_port import StandInLine
from drivers.wires import Wires

KEPT_S = 0.1  # of inertial samples that a chip may still ask for
Felt = tuple[float, float, float, float, float, float]


class MachineSight(Sight):
    """What one element of a simulated bar hears at this instant."""

    def __init__(self, hear: Callable[[float], list[float]]) -> None:
        super().__init__()
        self._hear = hear

    def flights(self, fired_s: float, listen_s: float) -> list[float]:
        return [flight for flight in self._hear(fired_s) if flight <= listen_s]


class WireWorld:
    """`advance` before each read of the drivers, `driven` after each command of theirs."""

    def __init__(self, sim: SimulatedRig, start_s: float) -> None:
        self.sim, self.now_s, self.start_s = sim, start_s, start_s
        self.lines: dict[str, StandInLine] = {}
        self.buses: dict[str, StandInBus] = {}
        self.pins: dict[int, StandInPin] = {}
        self.outputs: dict[int, StandInOutput] = {}
        self.board: MachineBoard | None = None
        self.wires = Wires(
            line=lambda path, baud: self.lines[path].open(path, baud),
            bus=lambda path: self.buses[path],
            input=lambda number, low: self.pins[number],
            output=lambda number: self.outputs[number],
            edges=lambda number, clock, low: self.pins[number],
            clock=self.clock,
            wait=lambda seconds: self.advance(self.now_s + seconds),
            background=self._background,
        )
        self._acts: list[list[Any]] = []  # due, each, what
        self._felt: deque[InertialSample] = deque()
        self._wheel: StandInWheel | None = None
        self._rolled = 0.0
        self.thermometer: Path | None = None
        self._enable: StandInPin | None = None
        self._hands: tuple[StandInPin, StandInPin] | None = None
        self._driven: Callable[[], tuple[float, float]] | None = None
        self._valves: Any = sim.devices["valves"]
        self._sources: list[AnyDevice] = [
            device for device in sim.devices.values() if isinstance(device, Device)
        ]
        for device in self._sources:
            device.advance(start_s)

    def clock(self) -> float:
        """Virtual time."""
        return self.now_s

    # what is on the wires

    def add_bar(self, side: str, ports: list[str], **settings: Any) -> list[BinaryRanger]:
        """Serial elements, fired by a byte, in place of a simulated bar's own firing."""
        bar = self.sim.devices[f"bar.{side}"]
        assert isinstance(bar, SimulatedBar)
        bar.by_itself = False
        rangers = []
        for element, port in enumerate(ports):
            self.lines[port] = StandInLine(self.clock)
            sight = MachineSight(self._hears(bar, element))
            rangers.append(BinaryRanger(self.lines[port], sight, trigger="byte", **settings))
        return rangers

    def add_mpu6050(self, bus: str, address: int) -> InertialChip:
        """The inertial sensor as a chip."""
        chip = Mpu6050Chip(self.clock, self._feels)
        self._bus(bus).attach(address, chip)
        return chip

    def add_pca9685(self, bus: str, address: int, relay_pin: int) -> Pca9685Chip:
        """Valves on a PWM chip behind a watchdog relay: 0 raises and 1 lowers left, 2, 3 right."""
        relay = WatchdogRelay(self.clock)
        self.outputs[relay_pin] = relay
        chip = Pca9685Chip(self.clock, enabled=relay.holds)
        self._bus(bus).attach(address, chip)
        self._driven = lambda: (chip.duty(0) - chip.duty(1), chip.duty(2) - chip.duty(3))
        return chip

    def add_inputs(self, enable: int, left: int, right: int) -> None:
        """The driver's switches, closed while held and while a hand is on."""
        self.pins |= {n: StandInPin(self.clock) for n in (enable, left, right)}
        self._enable, self._hands = self.pins[enable], (self.pins[left], self.pins[right])

    def add_wheel(self, pin_a: int, pin_b: int, pitch_m: float) -> None:
        """A wheel of two tracks that rolls with the machine."""
        self._wheel = StandInWheel(self.clock, pitch_m)
        self.pins |= {pin_a: self._wheel.a, pin_b: self._wheel.b}

    def add_thermometer(self, path: Path) -> None:
        """A file such as the kernel's."""
        self.thermometer = path
        path.write_text("17000\n", encoding="ascii")

    def add_board(self, port: str) -> MachineBoard:
        """A companion board with the bar, the inertial sensor, the inputs and the valves."""
        self.lines[port] = StandInLine(self.clock)
        self.board = board = MachineBoard(self.lines[port])
        self._driven = lambda: board.commanded(self.now_s)
        return board

    # time goes on

    def advance(self, now_s: float) -> None:
        """The machine, and with it everything that hangs on wires."""
        self.driven()
        before = self.now_s
        for device in self._sources:
            device.advance(now_s)
            for due_s, sample in device.due(now_s):
                self._take(due_s, sample)
        self.now_s = now_s
        if self._wheel is not None:
            self._roll(self._wheel, before, now_s)
        self._press()
        for act in self._acts:
            if now_s >= act[0]:
                act[0] += act[1]
                act[2]()

    def driven(self) -> None:
        """What the outputs do now is what the machine's valves get."""
        if self._driven is not None:
            self._valves.write(ValveCommand(self.now_s, *self._driven()))

    def _take(self, due_s: float, sample: AnySample) -> None:
        if self.board is not None and not isinstance(
            sample, (AirSample, MotionSample, LeaseSample)
        ):
            self.board.tell(due_s, sample)
        elif isinstance(sample, InertialSample):
            self._felt.append(sample)
            while self._felt[0].time_s < sample.time_s - KEPT_S:
                self._felt.popleft()
        elif isinstance(sample, AirSample) and self.thermometer and sample.temperature_c:
            text = f"{round(1000 * sample.temperature_c)}\n"
            self.thermometer.write_text(text, encoding="ascii")

    def _roll(self, wheel: StandInWheel, before_s: float, now_s: float) -> None:
        """Each edge at its own time: the way goes on evenly between two looks."""
        gone, steps = self.sim.truth().travelled_m - self._rolled, 20
        for n in range(1, steps + 1):
            self.now_s = before_s + (now_s - before_s) * n / steps
            wheel.roll(self._rolled + gone * n / steps)
        self._rolled += gone

    def _press(self) -> None:
        person = self.sim.person
        if self._enable is not None:
            self._enable.press(person.enabled)
        for pin, hand in zip(self._hands or (), person.hands, strict=False):
            pin.press(hand is not None)

    def _feels(self, t: float) -> Felt:
        """The nearest sample of the simulated sensor."""
        times = [one.time_s for one in self._felt]
        if not times:
            return (0.0, 0.0, 9.80665, 0.0, 0.0, 0.0)
        at = min(bisect_left(times, t), len(times) - 1)
        if at > 0 and t - times[at - 1] < times[at] - t:
            at -= 1
        s = self._felt[at]
        return (s.ax, s.ay, s.az, s.gx, s.gy, s.gz)

    def _hears(self, bar: SimulatedBar, element: int) -> Callable[[float], list[float]]:
        return lambda fired_s: bar.hear(fired_s - self.start_s, element, self.sim.pose)

    def _bus(self, path: str) -> StandInBus:
        return self.buses.setdefault(path, StandInBus())

    def _background(self, act: Callable[[], None], every_s: float) -> Callable[[], None]:
        entry = [self.now_s + every_s, every_s, act]
        self._acts.append(entry)
        return lambda: self._acts.remove(entry)
