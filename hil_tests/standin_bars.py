"""Range bars of stand-ins on the wire: serial, I2C and the board. Five elements over 0.6 m.

Noise, steps, jitter and latency are in; the figures are those of docs/rangers.md, or chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from drivers.board import codec
from drivers.board_devices import BoardBar
from drivers.board_link import BoardLink
from drivers.i2c import Bus
from drivers.range_bar import ElementBar
from drivers.rangers.build import i2c_bar, serial_bar
from drivers.rangers.i2c import I2cTraits
from drivers.rangers.uart import UartTraits
from drivers.standins.board_talker import BoardTalker
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import AsciiRanger, BinaryRanger, PlainChip, RegisterChip, Sight
from drivers.standins.serial_port import StandInLine
from hil_tests.bench import TICK_S, Bench, Clock, Virtual
from hil_tests.wires import Memory, Terminals

ELEMENTS = 5
RANGE_M = 0.6
NOISE_M = 0.001  # 1 sigma of one echo (chosen, as the simulated rig's)
JITTER_S = 0.002  # of a ranger's answer (chosen)
BOARD_S = 1e-3  # asked for: the board's clock on ours
WIRES = "the gate is not sent to this kind of element"


def sights(noise_m: float = NOISE_M) -> list[Sight]:
    """What each element sees; no two are alike."""
    return [Sight([RANGE_M + 0.01 * n], noise_m=noise_m, seed=n) for n in range(ELEMENTS)]


def step_noise(step_m: float) -> float:
    """1 sigma with the rounding to a step."""
    return float((NOISE_M**2 + step_m**2 / 12) ** 0.5)


def firings(far: Sequence[Any]) -> Callable[[int], list[float]]:
    """The instants at which an element truly fired."""
    return lambda element: list(far[element].fired)


def on_lines(
    make: type[AsciiRanger | BinaryRanger], kind: Any, traits: UartTraits, wires: Memory, **far: Any
) -> Bench:
    """Five rangers, each on a port of its own."""
    clock, names = wires.clock, [f"port{n}" for n in range(ELEMENTS)]
    lines = [wires.line(name) for name in names]
    rangers = [
        make(line, sight, trigger=traits.trigger, jitter_s=JITTER_S, first_s=clock() + 0.02 * n,
             **far)
        for n, (line, sight) in enumerate(zip(lines, sights(), strict=True))
    ]  # fmt: skip
    bar = serial_bar(
        "bar.left", kind, [wires.path(name) for name in names], traits, baud=115_200,
        opener=wires.open,
    )  # fmt: skip
    free = traits.trigger == "free"
    spread = 0.5 * TICK_S + traits.spread_s + 1e-3 if free else 1e-6
    bench = bar_bench(bar, clock, spread + wires.late_s, step_noise(1e-3), firings(rangers))
    bench.does["unplug"], bench.does["replug"] = wires.unplug, wires.replug
    bench.does["babble"] = lambda data: lines[2].say(data, clock())
    bench.close = wires.close

    def kill() -> int:
        rangers[2].powered = False
        return 2

    bench.does["kill"] = kill
    bench.cannot = {"gate": WIRES}
    return bench


def ascii_free(wires: Memory | None = None) -> Bench:
    """ "R" and digits, each ranging by itself, 10 times a second."""
    traits = UartTraits(trigger="free", period_s=0.1, latency_s=0.05, spread_s=JITTER_S)
    return on_lines(AsciiRanger, "uart-ascii", traits, wires or Memory(), answer_s=0.05)


def binary_fired(wires: Memory | None = None) -> Bench:
    """0xFF, high, low, sum, fired by a byte."""
    traits = UartTraits(trigger="byte", period_s=0.04, answer_s=0.06)
    return on_lines(BinaryRanger, "uart-binary", traits, wires or Memory(), answer_s=0.012)


def on_bus(chip: type[PlainChip | RegisterChip], kind: Any, step_m: float) -> Bench:
    """Five chips on one bus, at 0x70 and up."""
    clock, wire = Virtual(), StandInBus()
    where = range(0x70, 0x70 + ELEMENTS)
    far = [chip(wire, at, sight, clock) for at, sight in zip(where, sights(), strict=True)]
    bar = i2c_bar(
        "bar.left", kind, Bus("i2c", lambda path: wire), list(where),
        I2cTraits(wait_s=0.066, period_s=0.07, answer_s=0.12, blind_m=0.03, nothing_m=6.0),
    )  # fmt: skip
    bench = bar_bench(bar, clock, 1e-6, step_noise(step_m), firings(far))
    bench.does["unplug"], bench.does["replug"] = wire.unplug, wire.replug

    def kill() -> int:
        wire.detach(where[2])
        return 2

    bench.does["kill"] = kill
    bench.cannot = {"babble": "a bus in memory has no bytes of its own", "gate": WIRES}
    if chip is RegisterChip:
        bench.does["gate"] = lambda: [2.0 * (f.range_register + 1) * 0.043 for f in far]
    return bench


def i2c_plain() -> Bench:
    """Two bytes, cm."""
    return on_bus(PlainChip, "i2c", 1e-2)


def i2c_registers() -> Bench:
    """Registers, microseconds."""
    return on_bus(RegisterChip, "i2c-registers", 1e-6 * 172.4)


def bar_bench(
    bar: ElementBar, clock: Clock, spread_s: float, noise_m: float,
    fired: Callable[[int], list[float]],
) -> Bench:  # fmt: skip
    """What all bars of bought elements have in common."""
    return Bench(
        bar, clock, bar.frame_s, spread_s, identity=bar.name, noise={"range_m": noise_m},
        does={"fired": fired, "dead": bar.dead, "counts": lambda: counts_of(bar)},
    )  # fmt: skip


def counts_of(bar: ElementBar) -> dict[str, int]:
    """Everything that the elements and their decoders have counted."""
    found: dict[str, int] = dict(bar.counts)
    for element in bar.elements:
        for part in (element.counts, getattr(getattr(element, "decoder", None), "counts", {})):
            for name, count in part.items():
                found[name] = found.get(name, 0) + count
    return found


class OnBoard(NamedTuple):
    """A board at the end of a cable, and our end of it."""

    wires: Memory
    line: StandInLine
    talker: BoardTalker
    link: BoardLink

    def does(self) -> dict[str, Callable[..., Any]]:
        """What can be done to any device of the board."""

        def kill() -> None:
            self.talker.dumb = True

        return {
            "counts": lambda: dict(self.link.counts), "kill": kill,
            "unplug": self.wires.unplug, "replug": self.wires.replug,
            "babble": lambda data: self.line.say(data, self.wires.clock()),
        }  # fmt: skip


def on_board(wires: Memory | None = None) -> OnBoard:
    """A board with a clock of its own, 77.7 s ahead and 40 ppm fast, and frames up to 3 ms late."""
    wires = wires or Memory()
    line = wires.line("board")
    talker = BoardTalker(line, offset_s=77.7, drift=4e-5, late_s=3e-3, noise=True)
    link = BoardLink(
        wires.path("board"), opener=wires.open, usb=wires.clock.real, clock=wires.clock
    )  # fmt: skip
    return OnBoard(wires, line, talker, link)


def board_bar(wires: Memory | None = None) -> Bench:
    """The companion board's bar."""
    board = on_board(wires)
    talker, link, clock = board.talker, board.link, board.wires.clock
    flight = round(2.0 * RANGE_M / 343.2 * 1e6)
    talker.flights = [(flight + 60 * n,) for n in range(ELEMENTS)]
    bar = BoardBar(link, "bar.left")

    def gate() -> list[float]:
        told = [fields for _, kind, fields in talker.heard if kind == codec.GATE]
        return [int(told[-1][1]) * 1e-6 * 343.2] if told else []

    does = board.does() | {
        "fired": lambda element: talker.fired_s, "dead": bar.dead, "gate": gate,
        "send gate": lambda near, far: link.gate(2 * near / 343.2, 2 * far / 343.2, 0.025, 5),
    }  # fmt: skip
    return Bench(
        bar, clock, 0.025 * ELEMENTS, BOARD_S, identity="TALKER_1", noise={"range_m": 0.001},
        does=does, close=board.wires.close,
    )  # fmt: skip


BARS: dict[str, Callable[[], Bench]] = {
    "uart-ascii": ascii_free,
    "uart-binary": binary_fired,
    "i2c": i2c_plain,
    "i2c-registers": i2c_registers,
    "board": board_bar,
}
ON_TERMINALS: dict[str, Callable[[], Bench]] = {
    "uart-binary": lambda: binary_fired(Terminals()),
}
