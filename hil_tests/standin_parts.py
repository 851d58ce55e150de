"""Inertial sensors, driver's inputs, way and speed: stand-ins on the wire, one bench each.

Noise of the inertial chips by their datasheets' densities, as memory has them: MPU-6050 400 ug and
0.005 deg/s, LSM6DSO 70 ug and 0.0038 deg/s, BNO055 150 ug and 0.014 deg/s, each a root hertz.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from drivers.board import codec
from drivers.board_devices import BoardInertial, BoardInputs
from drivers.gnss import LATENCY_S, Gnss, xor
from drivers.i2c import Bus
from drivers.inertial.bno055 import Bno055
from drivers.inertial.driver import Inertial
from drivers.inertial.lsm6dso import Lsm6dso
from drivers.inertial.model import DEG, GRAVITY, Model
from drivers.inertial.mpu6050 import Mpu6050
from drivers.inputs import STEADY_S, Pin, PinInputs
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.inertial_chips import (
    Bno055Chip,
    InertialChip,
    Lsm6dsoChip,
    Motion,
    Mpu6050Chip,
)
from drivers.standins.pins import StandInPin, StandInWheel
from drivers.standins.serial_port import StandInLine
from drivers.wheel import EdgePin, Wheel
from hil_tests.bench import TICK_S, Bench, Clock, Virtual
from hil_tests.standin_bars import BOARD_S, on_board
from hil_tests.wires import Memory, Terminals

ADDRESS = 0x68
RATE_ERROR = 0.013  # of a chip's oscillator (chosen; datasheets allow some percent)
PITCH_M = 0.02
LEASE_S = 0.2
KNOT = 1852.0 / 3600.0
CHIPS: dict[str, tuple[type[InertialChip], Callable[[], Model], float, float, float]] = {
    # chip, model, ug and mdeg/s a root hertz, bandwidth Hz
    "mpu6050": (Mpu6050Chip, Mpu6050, 400.0, 5.0, 44.0),
    "mpu6050-ready": (Mpu6050Chip, lambda: Mpu6050(fifo=False), 400.0, 5.0, 44.0),
    "lsm6dso": (Lsm6dsoChip, Lsm6dso, 70.0, 3.8, 104.0),
    "bno055": (Bno055Chip, Bno055, 150.0, 14.0, 62.5),
}


def at_rest(accel_sd: float, gyro_sd: float) -> Motion:
    """Level and still, with noise; the same instant gives the same reading."""

    def felt(t: float) -> tuple[float, float, float, float, float, float]:
        rng = random.Random(round(t * 1e6))
        a, g = (lambda: rng.gauss(0.0, accel_sd)), (lambda: rng.gauss(0.0, gyro_sd))
        return a(), a(), GRAVITY + a(), g(), g(), g()

    return felt


def inertial(name: str) -> Bench:
    """A chip at rest on a bus."""
    kind, model, accel_ug, gyro_mdps, hz = CHIPS[name]
    sd = (accel_ug * 1e-6 * GRAVITY * hz**0.5, gyro_mdps * 1e-3 * DEG * hz**0.5)
    clock, wire = Virtual(), StandInBus()
    chip = kind(clock, at_rest(*sd), RATE_ERROR)
    wire.attach(ADDRESS, chip)
    driver = Inertial("imu", Bus("i2c", lambda path: wire), model(), ADDRESS, now_s=clock())
    delay = driver.model.delay_s

    def kill() -> None:
        chip.dead = True

    # rounding to the chip's own steps, and a delay that differs between accelerometer and gyro
    steps = {"mpu6050": 1 / 8192, "mpu6050-ready": 1 / 8192, "lsm6dso": 0.122e-3, "bno055": 1e-3}
    accel = (sd[0] ** 2 + (steps[name] * GRAVITY) ** 2 / 12) ** 0.5
    gyro = (sd[1] ** 2 + (DEG / 16) ** 2 / 12) ** 0.5
    # without a FIFO the newest reading of each tick is all that is had
    period = driver.model.period_s if driver.model.fifo else max(driver.model.period_s, TICK_S)
    return Bench(
        driver, clock, period, driver.spread_s + 1e-4, identity=driver.identity,
        noise={"accel": accel, "gyro": gyro},
        does={
            "fired": lambda _: [at - delay for at in chip.made], "dead": driver.dead, "kill": kill,
            "unplug": wire.unplug, "replug": wire.replug, "counts": lambda: dict(driver.counts),
            "self test": driver.self_test, "verdict": lambda: driver.verdict,
        },
        cannot={"babble": "a bus in memory has no bytes of its own"},
    )  # fmt: skip


def board_inertial(wires: Memory | None = None) -> Bench:
    """The board's MPU-6050, told four readings at a time."""
    board = on_board(wires)
    device = BoardInertial(board.link, "imu")
    first = board.talker.first_s
    does = board.does() | {
        "fired": lambda _: [at + 0.005 * n for at in first for n in range(codec.BATCH)],
        "dead": device.dead,
    }  # fmt: skip
    return Bench(
        device, board.wires.clock, 0.005, BOARD_S, identity="TALKER_1",
        noise={"accel": 0.033, "gyro": 8e-4}, does=does,
        cannot={"self test": "the board's program has no self-test"}, close=board.wires.close,
    )  # fmt: skip


def pins() -> Bench:
    """Enable and lever switches that bounce, on pins of the header."""
    clock = Virtual()
    switches = {name: StandInPin(clock) for name in ("enable", "left", "right")}
    opens: dict[str, Callable[[], Pin]] = {n: lambda n=n: switches[n] for n in switches}  # type: ignore[misc]
    driver = PinInputs("driver", opens, "lever")

    def plugged(yes: bool) -> None:
        for switch in switches.values():
            switch.plugged = yes

    def press(**on: bool) -> float:
        for name, closed in on.items():
            switches[name].press(closed, bounce_s=0.008)
        return STEADY_S + 0.008 + 2 * TICK_S

    return Bench(
        driver, clock, TICK_S, TICK_S, identity="lever",
        does={
            "press": press, "unplug": lambda: plugged(False), "replug": lambda: plugged(True),
            "dead": lambda now: bool(driver.trouble), "counts": lambda: dict(driver.counts),
        },
        cannot={"kill": "a switch that says nothing is an open one, and open is the safe side",
                "babble": "a pin has no bytes"},
    )  # fmt: skip


def board_inputs(wires: Memory | None = None) -> Bench:
    """The same on the board's pins."""
    board = on_board(wires)
    device, talker = BoardInputs(board.link, "driver"), board.talker
    talker.bits = 0
    bits = {"enable": codec.ENABLE, "left": codec.LEFT, "right": codec.RIGHT}

    def press(**on: bool) -> float:
        for name, yes in on.items():
            talker.bits = talker.bits | bits[name] if yes else talker.bits & ~bits[name]
        return 0.0193 + 3e-3 + 2 * TICK_S

    return Bench(
        device, board.wires.clock, 0.0193, BOARD_S + 0.0193, identity="TALKER_1",
        does=board.does() | {"press": press, "dead": device.dead}, close=board.wires.close,
    )  # fmt: skip


def wheel() -> Bench:
    """A wheel of two tracks that rolls at a speed."""
    clock = Virtual()
    far = StandInWheel(clock, PITCH_M)

    def open_pins() -> tuple[EdgePin, EdgePin]:
        return far.a, far.b

    driver = Wheel("motion", open_pins, PITCH_M)
    state = {"speed": 0.0, "way": 0.0, "last": clock()}

    def run(now_s: float) -> None:
        steps = 10  # edges come between the reads
        start, span = state["last"], now_s - state["last"]
        for n in range(1, steps + 1):
            clock.now_s = start + span * n / steps
            state["way"] += state["speed"] * span / steps
            far.roll(state["way"])
        state["last"] = clock.now_s = now_s

    clock.run = run

    def plugged(yes: bool) -> None:
        far.a.plugged = far.b.plugged = yes

    return Bench(
        driver, clock, TICK_S, TICK_S, identity="wheel",
        does={
            "roll": lambda speed: state.__setitem__("speed", speed), "way": lambda: state["way"],
            "unplug": lambda: plugged(False), "replug": lambda: plugged(True),
            "dead": lambda now: bool(driver.trouble), "counts": lambda: dict(driver.counts),
        },
        cannot={"kill": "a wheel that gives no edges cannot be told from one that stands",
                "babble": "a pin has no bytes",
                "fired": "its sample is of the read's own instant"},
    )  # fmt: skip


class Receiver:
    """A satellite receiver that tells place and speed five times a second, 0.2 s after."""

    def __init__(self, line: StandInLine, clock: Clock) -> None:
        self.line, self.clock, self.next_s = line, clock, clock() + 0.1
        self.speed_mps, self.dumb = 0.0, False
        self.epochs: list[float] = []
        line.talker = self

    def advance(self, now_s: float) -> None:
        while self.next_s <= now_s:
            knots = abs(self.speed_mps) / KNOT
            for body in (
                "GPGGA,120000.00,4500.000,N,00100.000,E,1,08,0.9,100.0,M,46.0,M,,",
                f"GPRMC,120000.00,A,4500.000,N,00100.000,E,{knots:.3f},0.0,010126,,",
            ):
                if not self.dumb:
                    text = f"${body}*{xor(body.encode()):02X}\r\n"
                    self.line.say(text.encode(), self.next_s + LATENCY_S - 0.1)
            self.epochs.append(self.next_s)
            self.next_s += 0.2

    def hear(self, data: bytes, now_s: float) -> None:
        """Takes no orders."""

    def held_low(self, low: bool, now_s: float) -> None:
        """Nor breaks."""


def gnss(wires: Memory | None = None) -> Bench:
    """A receiver by NMEA 0183; its speed has no sign and its time is rough."""
    wires = wires or Memory()
    line = wires.line("gnss")
    driver = Gnss("gnss", lambda: wires.open(wires.path("gnss"), 9600), period_s=0.2)
    far = Receiver(line, wires.clock)

    def roll(speed: float) -> None:
        far.speed_mps = speed

    def kill() -> None:
        far.dumb = True

    return Bench(
        driver, wires.clock, 0.2, LATENCY_S, identity="gnss",
        does={
            "roll": roll, "kill": kill, "unplug": wires.unplug, "replug": wires.replug,
            "fired": lambda _: far.epochs, "dead": driver.dead,
            "counts": lambda: dict(driver.counts),
            "babble": lambda data: line.say(data, wires.clock()),
        },
        cannot={"way": "a receiver's speed gives no way"}, close=wires.close,
    )  # fmt: skip


def _named(name: str) -> Callable[[], Bench]:
    return lambda: inertial(name)


INERTIAL: dict[str, Callable[[], Bench]] = {n: _named(n) for n in CHIPS} | {"board": board_inertial}
INPUTS: dict[str, Callable[[], Bench]] = {"pins": pins, "board": board_inputs}
MOTION: dict[str, Callable[[], Bench]] = {"wheel": wheel, "gnss": gnss}
ON_TERMINALS: dict[str, dict[str, Callable[[], Bench]]] = {
    "inertial": {},
    "inputs": {},
    "motion": {"gnss": lambda: gnss(Terminals())},
}
