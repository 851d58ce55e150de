"""Valve outputs on the wire: a PWM chip behind a watchdog relay, and the board's own."""

from __future__ import annotations

from collections.abc import Callable

from drivers.board import codec
from drivers.board_devices import BoardValves
from drivers.i2c import Bus
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.pca9685 import Pca9685Chip
from drivers.standins.pins import WatchdogRelay
from drivers.valves.driver import PwmValves
from drivers.valves.lease import RelayPulse
from drivers.valves.outputs import TwoCoils
from hil_tests.bench import TICK_S, Bench, Virtual
from hil_tests.standin_bars import on_board

LEASE_S = 0.2


def pwm_valves() -> Bench:
    """PCA9685 behind a watchdog relay; left raise 0, lower 1; right 2, 3."""
    clock, wire = Virtual(), StandInBus()
    relay = WatchdogRelay(clock, LEASE_S)
    chip = Pca9685Chip(clock, 25e6, relay.holds)
    chip.registers |= {0x00: 0x20, 0x07: 0x10, 0x09: 0x00}  # channel 0 was left full on
    wire.attach(0x40, chip)
    valves = PwmValves(
        Bus("i2c", lambda path: wire), TwoCoils(0, 1), TwoCoils(2, 3), lease="relay",
        renew=RelayPulse(relay), age=lambda: 0.0, now_s=clock(),
    )  # fmt: skip

    def driven() -> tuple[float, float]:
        a, b, c, d = (chip.duty(n) for n in range(4))
        return a - b, c - d

    return Bench(
        valves, clock, TICK_S, TICK_S, identity="PCA9685",
        does={"driven": driven, "lease": lambda: LEASE_S, "unplug": wire.unplug,
              "replug": wire.replug, "counts": lambda: dict(valves.counts)},
    )  # fmt: skip


def board_valves() -> Bench:
    """The board's outputs."""
    board = on_board()
    valves, talker = BoardValves(board.link), board.talker
    if isinstance(board.wires.clock, Virtual):
        board.wires.clock.run = board.link.step

    def driven() -> tuple[float, float]:
        board.line.settle()
        _, left, right = talker.outputs[-1] if talker.outputs else (0.0, 0, 0)
        return left / codec.FULL, right / codec.FULL

    does = board.does() | {
        "driven": driven, "lease": lambda: LEASE_S + codec.TIMER_MS * 1e-3
    }  # fmt: skip
    return Bench(
        valves, board.wires.clock, TICK_S, TICK_S, identity="TALKER_1", does=does,
        close=board.link.close,
    )  # fmt: skip


VALVES: dict[str, Callable[[], Bench]] = {"pca9685": pwm_valves, "board": board_valves}
