"""A trial's machine whose every device is a stand-in on a wire, read by the real drivers.

Two ways to wire it: `parts` (five serial rangers, an inertial chip and a PWM chip on I2C, pins, a
wheel, a one-wire thermometer) and `board` (bar, sensor, inputs and valves behind one cable).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from drivers.mixed import MixedRig
from drivers.samples import AnySample, ValveCommand
from drivers.simulated.reference import RigTruth
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.standins.wire_world import WireWorld
from firmware_py.devices.open import open_rig
from firmware_py.settings import Rig
from firmware_py.settings_file import parse
from firmware_py.trial.run import START_S

TICK_S = 0.01
BEFORE_S = 3.0  # the devices are opened so long before the trial's first tick
FIRST_S = 0.03  # s; from firing to firing in `parts`
FINE_M = 1e-6  # steps of the simulated echoes: those on the wire are the element's own
ANSWER_S, BYTES_S = 0.040, 4 * 10 / 9600  # a serial element's answer, and its four bytes

MACHINE = """
name = "{name}"
blade = {{ width_mm = 1800, ahead_mm = 1200 }}
left = {{ guide = "string" }}
right = {{ guide = "fall" }}
control = {{ dead_band_mm = 1.5, crossfall_pct = 2.0 }}
[air]
device = "air"
kind = "w1"
path = "{air}"
lag_s = 30
[motion]
device = "motion"
kind = "wheel"
pin_a = 17
pin_b = 18
pitch_mm = 20
[valves]
device = "valves"
dead_time_ms = 80
lag_ms = 50
up_mm_s = 90
down_mm_s = 120
overlap_pct = 12
"""
PARTS = """
kind = "pca9685"
left = { raise_channel = 0, lower_channel = 1 }
right = { raise_channel = 2, lower_channel = 3 }
lease = "relay"
relay_pin = 25
[driver]
device = "driver"
kind = "gpio"
enable_pin = 5
sensing = "lever"
left_pins = [6]
right_pins = [13]
[inertial]
device = "inertial"
kind = "mpu6050"
[bars.left]
device = "bar.left"
kind = "uart-binary"
ports = ["/dev/serial/by-path/0", "/dev/serial/by-path/1", "/dev/serial/by-path/2",
    "/dev/serial/by-path/3", "/dev/serial/by-path/4"]
unit = "mm"
trigger = "byte"
period_ms = 100
pause_ms = 30
latency_ms = 42
noise_mm = 1
frame_ms = 150
reach_far_mm = 1200
"""
BOARD = """
kind = "board"
[boards.main]
port = "/dev/serial/by-path/board"
[driver]
device = "driver"
kind = "board"
[inertial]
device = "inertial"
kind = "board"
[bars.left]
device = "bar.left"
kind = "board"
frame_ms = 40
latency_ms = 20
"""
WIRINGS = {"parts": PARTS, "board": BOARD}


def rig_file(wiring: str, air: Path) -> Rig:
    """The rig file of a wiring; air: the thermometer's file."""
    text = MACHINE.format(name=f"wired {wiring}", air=air) + WIRINGS[wiring]
    return parse(text, f"{wiring}.toml", Rig)


def alike(truth: RigTruth, wiring: str) -> RigTruth:
    """What the simulated devices must have in common with those on the wire, to be compared.

    The thermometer is looked at once a second, and the board says four inertial readings at once.
    """
    batch_s = 0.5 * 3 / truth.inertial.rate_hz if wiring == "board" else 0.0
    late = replace(truth.inertial, latency_s=truth.inertial.latency_s + batch_s)
    return replace(truth, air=replace(truth.air, rate_hz=1.0), inertial=late)


class PlainRig(SimulatedRig):
    """The same machine on simulated devices, from the same instant on."""

    def __init__(self, world: World, truth: RigTruth, seed: int, *, wiring: str) -> None:
        super().__init__(world, alike(truth, wiring), seed)
        for n in range(round(BEFORE_S / TICK_S)):
            self.read(START_S - BEFORE_S + n * TICK_S)


class WiredRig(SimulatedRig):
    """The simulated machine, read and commanded through the real drivers alone."""

    def __init__(self, world: World, truth: RigTruth, seed: int, *, rig: Rig, air: Path) -> None:
        if truth.left_bar is not None and rig.bars["left"].kind == "uart-binary":  # type: ignore[index]
            truth = replace(truth, left_bar=replace(truth.left_bar, step_m=FINE_M))
        fast = replace(truth, air=replace(truth.air, rate_hz=1.0))
        super().__init__(world, fast, seed)
        self.wire = wired(self, rig, air, START_S - BEFORE_S)
        # opened when the simulated bar fires first: then both fire alike, and hear the same noise
        self.wire.advance(START_S - BEFORE_S + FIRST_S)
        self.mixed: MixedRig = open_rig(rig, None, self.wire.wires)

    def read(self, now_s: float) -> Sequence[AnySample]:
        """As the loop reads real devices."""
        while (
            self.wire.now_s < now_s - 1e-9
        ):  # devices are looked at on ticks, also before the first
            self.wire.advance(min(self.wire.now_s + TICK_S, now_s))
            if self.wire.now_s < now_s - 1e-9:
                self.mixed.read(self.wire.now_s)
                self.mixed.write(ValveCommand(self.wire.now_s, 0.0, 0.0))
        return self.mixed.read(now_s)

    @property
    def deaf_s(self) -> float:
        """A wire is driven when the command is given, so none can be given later."""
        return 0.0

    def write(self, command: ValveCommand, at_s: float | None = None) -> None:
        """To the real driver's valves, and from the chip to the oil."""
        self.mixed.write(command)
        self.wire.driven()

    def close(self) -> None:
        """Let go."""
        self.mixed.close()
        super().close()


def wired(sim: SimulatedRig, rig: Rig, air: Path, start_s: float) -> WireWorld:
    """The stand-ins of a wiring on a simulated machine."""
    wire = WireWorld(sim, start_s)
    wire.add_wheel(17, 18, 0.020)
    wire.add_thermometer(air)
    if rig.boards:
        wire.add_board("/dev/serial/by-path/board")
        return wire
    ports = [f"/dev/serial/by-path/{n}" for n in range(5)]
    wire.add_bar("left", ports, answer_s=ANSWER_S)
    wire.add_mpu6050("/dev/i2c-1", 0x68)
    wire.add_pca9685("/dev/i2c-1", 0x40, relay_pin=25)
    wire.add_inputs(5, 6, 13)
    return wire
