"""A device that falls silent is told within three of its periods, and none while all is well."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec import structs

from drivers.gnss import xor
from drivers.mixed import FIRST_S, Joined, MixedRig
from drivers.samples import AnySample
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.standins.serial_port import StandInLine
from drivers.standins.wire_world import WireWorld
from firmware_py.controller import Controller
from firmware_py.devices.open import open_rig
from firmware_py.devices.teller import DeviceTeller
from firmware_py.link.frames import Devices, Note
from firmware_py.messages import Tick
from firmware_py.settings import Rig
from hil_tests.wired import rig_file, wired
from tests.closed_loop import rig_of
from tests.test_devices_teller import a_tick

TICK, START = 0.01, 50.0
RMC = b"GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,"
GNSS = "/dev/serial/by-path/gnss"


class Bench:
    """The rig on its wires, with a receiver that tells a sentence each second."""

    def __init__(self, folder: Path, wiring: str) -> None:
        plain = rig_file(wiring, folder / "temperature").model_dump(mode="json")
        file = Rig.model_validate(plain | {"gnss": {"device": "gnss", "port": GNSS}})
        sim = SimulatedRig(World(ground="flat"), REFERENCE, 3)
        self.wire = wired(sim, file, folder / "temperature", START)
        self.line = self.wire.lines[GNSS] = StandInLine(self.wire.clock)
        self.rig = open_rig(file, None, self.wire.wires)
        self.ticks = 0

    def tick(self) -> frozenset[str]:
        """Who is silent after one more."""
        if self.ticks % 100 == 0:
            self.line.say(b"$%s*%02X\r\n" % (RMC, xor(RMC)), self.wire.now_s)
        self.ticks += 1
        self.wire.advance(self.wire.now_s + TICK)
        self.rig.read(self.wire.now_s)
        return self.rig.silent(self.wire.now_s)

    def told(self, name: str) -> tuple[str, ...]:
        (said,) = (one for one in self.rig.report(self.wire.now_s) if one.name == name)
        return said.wrong


def no_bus(wire: WireWorld) -> None:
    wire.buses["/dev/i2c-1"].detach(0x68)


def no_bar(wire: WireWorld) -> None:
    for n in range(5):
        wire.lines[f"/dev/serial/by-path/{n}"].unplug()


def no_board(wire: WireWorld) -> None:
    assert wire.board is not None
    wire.board.deaf = True
    wire.lines["/dev/serial/by-path/board"].unplug()


# three periods by the rig files of hil_tests/wired.py: 200 Hz; a frame of 150 ms; pings of 8 ms,
# batches and inputs of 20 ms; a sentence a second
@pytest.mark.parametrize(
    ("wiring", "end", "within"),
    [
        ("parts", no_bus, {"inertial": 0.015}),
        ("parts", no_bar, {"bar.left": 0.45}),
        ("parts", lambda wire: wire.lines[GNSS].unplug(), {"gnss": 3.0}),
        ("board", no_board, {"bar.left": 0.024, "inertial": 0.06, "driver": 0.06}),
    ],
    ids=["inertial", "bar", "gnss", "board"],
)
def test_silence_is_seen_within_three_periods_and_never_while_all_is_well(
    tmp_path: Path, wiring: str, end: Callable[[WireWorld], None], within: dict[str, float]
) -> None:
    bench = Bench(tmp_path, wiring)
    for _ in range(round((FIRST_S + 2.0) / TICK)):
        assert not bench.tick()
    end(bench.wire)
    ended, seen = bench.wire.now_s, dict[str, float]()
    while set(seen) != set(within) and bench.wire.now_s < ended + 5.0:
        for name in bench.tick():
            seen.setdefault(name, bench.wire.now_s - ended)
    assert set(seen) == set(within)
    assert all(seen[name] <= most + TICK + 1e-9 for name, most in within.items()), seen
    for name in within:
        assert bench.told(name)[0] == "silent"


def test_a_single_element_is_told_by_its_number(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    for _ in range(round(FIRST_S / TICK)):
        bench.tick()
    bench.wire.lines["/dev/serial/by-path/3"].unplug()
    for _ in range(round(0.45 / TICK) + 1):
        assert not bench.tick()  # the bar as a whole goes on
    (words,) = bench.told("bar.left")
    assert words.startswith("bar.left element 3: silent; ")


class Heard:
    """Who hears the teller, and a device that can be silenced."""

    def __init__(self) -> None:
        self.frames: list[object] = []
        self.dead = False
        self.rig = MixedRig(
            [Joined("inertial", self, lambda: "a chip", lambda now: (), dict, reader=self,
                    dead=lambda now: self.dead)], None,
        )  # fmt: skip

    def read(self, now_s: float) -> list[AnySample]:
        return []

    def tell(self, frame: object) -> None:
        self.frames.append(frame)

    @property
    def notes(self) -> list[str]:
        return [one.text for one in self.frames if isinstance(one, Note)]


def test_the_run_notes_silence_at_that_tick_but_not_oftener_than_once_a_second() -> None:
    heard = Heard()
    teller = DeviceTeller(Controller(rig_of()), heard.rig, heard)
    heard.dead = True  # not yet set up
    for n in range(520):
        now = 10.0 + 0.01 * n
        heard.rig.read(now)
        heard.dead = n < 50 or (350 <= n < 450 and n % 4 == 0)  # it flutters
        teller.put(structs_at(now))
        if n == 352:
            assert heard.notes == ["inertial: silent"]
    assert heard.notes == ["inertial: silent", "inertial: is well again"]
    devices = [one for one in heard.frames if isinstance(one, Devices)]
    assert len(devices) == 6


def structs_at(time_s: float) -> Tick:
    return structs.replace(A_TICK, time_s=time_s)


A_TICK = a_tick(0.0)
