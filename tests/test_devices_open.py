"""open_rig on stand-ins: what is opened, mixed, told and closed, and the sentence for what is not.

The devices of hil_tests/wired.py hang on a simulated machine; here nothing else is simulated.
"""

from __future__ import annotations

from collections import deque
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import DeviceError
from drivers.mixed import MixedRig
from drivers.protocols import Rig as RigLike
from drivers.samples import (
    AirSample,
    AnySample,
    DriverSample,
    InertialSample,
    LeaseSample,
    MotionSample,
    RangePing,
    ValveCommand,
)
from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.standins.wire_world import WireWorld
from firmware_py.devices.open import open_rig
from firmware_py.messages import Side
from firmware_py.settings import Rig
from firmware_py.settings_devices import SimulatedInertial
from hil_tests.wired import rig_file, wired

TICK = 0.01
START = 50.0


class Bench:
    """The machine at rest, its wires, and the rig opened on them."""

    def __init__(self, folder: Path, wiring: str, before: Any = None) -> None:
        self.file = rig_file(wiring, folder / "temperature")
        self.sim = SimulatedRig(World(ground="flat"), REFERENCE, 3)
        self.wire = wired(self.sim, self.file, folder / "temperature", START)
        if before is not None:
            before(self.wire)
        self.rig = open_rig(self.file, None, self.wire.wires)

    def run(self, seconds: float, left: float = 0.0) -> list[AnySample]:
        """Read, and command the left valve, tick by tick."""
        found: list[AnySample] = []
        for _ in range(round(seconds / TICK)):
            self.wire.advance(self.wire.now_s + TICK)
            found += self.rig.read(self.wire.now_s)
            self.rig.write(ValveCommand(self.wire.now_s, left, 0.0))
            self.wire.driven()
        return found

    @property
    def oil(self) -> tuple[int, int]:
        truth = self.sim.truth()
        return truth.left_oil, truth.right_oil


@pytest.fixture(params=["parts", "board"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Bench:
    """Each wiring."""
    return Bench(tmp_path, request.param)


def test_every_device_sends_and_says_what_it_is(bench: Bench) -> None:
    assert isinstance(bench.rig, RigLike)
    found = bench.run(2.5)
    kinds = {type(one) for one in found}
    senses = {RangePing, InertialSample, AirSample, MotionSample, DriverSample}
    assert kinds == senses | {LeaseSample}
    heard = [one for one in found if isinstance(one, RangePing) and one.echoes]
    assert {one.element for one in heard} == set(range(5))
    said = {one.name: one for one in bench.rig.report(bench.wire.now_s)}
    assert {"bar.left", "inertial", "air", "motion", "driver", "valves"} == set(said)
    assert all(one.what for one in said.values())
    assert not [one.wrong for one in said.values() if one.wrong]


def test_a_command_reaches_the_oil_and_the_end_of_commands_shuts_it(bench: Bench) -> None:
    bench.sim.person.enable(True)
    bench.run(0.5)
    bench.run(0.5, left=0.5)
    assert bench.oil == (1, 0)
    for _ in range(50):  # reads go on, commands do not: dead time and lease
        bench.wire.advance(bench.wire.now_s + TICK)
        bench.rig.read(bench.wire.now_s)
    assert bench.oil == (0, 0)


def test_closing_shuts_the_valves_at_once(bench: Bench) -> None:
    bench.sim.person.enable(True)
    bench.run(0.5)
    bench.run(0.5, left=0.5)
    bench.rig.close()
    for _ in range(9):  # the dead time alone
        bench.wire.advance(bench.wire.now_s + TICK)
    assert bench.oil == (0, 0)


@pytest.mark.parametrize(
    ("wiring", "break_it", "words"),
    [
        ("parts", lambda w: w.lines["/dev/serial/by-path/3"].unplug(),
         "bars.left, element 3: /dev/serial/by-path/3 does not open"),
        ("parts", lambda w: w.buses["/dev/i2c-1"].detach(0x68),
         "inertial: /dev/i2c-1, address 0x68 does not answer; look at its power"),
        ("parts", lambda w: w.buses["/dev/i2c-1"].detach(0x40),
         "valves: /dev/i2c-1, address 0x40 does not answer"),
        ("parts", lambda w: w.buses["/dev/i2c-1"].attach(0x68, w.buses["/dev/i2c-1"].chips[0x40]),
         "inertial: the chip at I2C 0x68 answers WHO_AM_I with 0x00"),
        ("parts", lambda w: w.thermometer.unlink(), "air: "),
        ("board", lambda w: w.lines["/dev/serial/by-path/board"].unplug(),
         "boards.main: /dev/serial/by-path/board does not open"),
        ("board", lambda w: setattr(w.board, "deaf", True),
         "boards.main: the board at /dev/serial/by-path/board does not answer"),
    ],
)  # fmt: skip
def test_a_device_that_is_not_there_is_one_sentence(
    tmp_path: Path, wiring: str, break_it: Any, words: str
) -> None:
    with pytest.raises(DeviceError) as found:
        Bench(tmp_path, wiring, break_it)
    assert str(found.value).startswith(words)
    assert "\n" not in str(found.value)


def test_what_was_opened_before_a_failure_is_closed_again(tmp_path: Path) -> None:
    kept: list[WireWorld] = []

    def no_inertial(wire: WireWorld) -> None:
        kept.append(wire)
        wire.buses["/dev/i2c-1"].detach(0x68)

    with pytest.raises(DeviceError):
        Bench(tmp_path, "parts", no_inertial)
    assert kept[0].buses["/dev/i2c-1"].closed == 1
    assert not kept[0].outputs[25].plugged  # the relay's pin was let go: it drops out


def close_all(wire: WireWorld) -> None:
    """Four devices of `parts`, in the order in which they are opened."""
    wire.buses["/dev/i2c-1"].detach(0x40)
    for port in (1, 3):
        wire.lines[f"/dev/serial/by-path/{port}"].unplug()
    wire.buses["/dev/i2c-1"].detach(0x68)
    assert wire.thermometer is not None
    wire.thermometer.unlink()


def test_all_that_is_not_there_is_told_at_once_and_nothing_moves(tmp_path: Path) -> None:
    kept: list[WireWorld] = []

    def no_four(wire: WireWorld) -> None:
        kept.append(wire)
        close_all(wire)

    with pytest.raises(DeviceError) as found:
        Bench(tmp_path, "parts", no_four)
    starts = ["valves: ", "bars.left, element 1: ", "bars.left, element 3: ", "inertial: ", "air: "]
    lines = str(found.value).splitlines()
    assert [line[: len(start)] for line, start in zip(lines, starts, strict=True)] == starts
    (wire,) = kept
    assert not wire.outputs[25].plugged  # let go although its chip was the first to be missing
    assert wire.outputs[25].told == deque() or not any(high for _, high in wire.outputs[25].told)
    assert wire.buses["/dev/i2c-1"].closed == 1
    assert all(wire.lines[f"/dev/serial/by-path/{n}"].closed == 1 for n in (0, 2, 4))
    assert all(pin.closed == 1 for pin in wire.pins.values())  # inputs and wheel were opened


def test_a_board_that_is_not_there_is_told_once_and_beside_the_others(tmp_path: Path) -> None:
    def no_two(wire: WireWorld) -> None:
        wire.lines["/dev/serial/by-path/board"].unplug()
        wire.pins[18].plugged = False

    with pytest.raises(DeviceError) as found:
        Bench(tmp_path, "board", no_two)
    board, wheel = str(found.value).splitlines()
    assert board.startswith("boards.main: /dev/serial/by-path/board does not open")
    assert wheel == "motion: the pin is gone"


def test_a_bar_comes_back_after_it_was_unplugged(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    bench.run(1.0)
    line = bench.wire.lines["/dev/serial/by-path/2"]
    line.unplug()
    gone = bench.run(2.0)
    later = [one for one in gone if isinstance(one, RangePing) and one.time_s > START + 1.5]
    assert {one.element for one in later} == {0, 1, 3, 4}
    (said,) = (one for one in bench.rig.report(bench.wire.now_s) if one.name == "bar.left")
    assert any("element 2" in words for words in said.wrong)
    line.replug()
    back = bench.run(4.0)
    assert 2 in {one.element for one in back[-400:] if isinstance(one, RangePing)}


def one_real(file: Rig) -> Rig:
    """The parts' bar and valves, all else simulated."""
    plain = file.model_dump(mode="json")
    for name in ("inertial", "air", "motion", "driver"):
        plain[name] = {"device": name}
    return Rig.model_validate(plain)


def test_one_by_one_real_devices_stand_among_simulated_ones(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    bench.rig.close()
    behind = SimulatedRig(World(ground="flat"), REFERENCE, 7)
    rig = open_rig(one_real(bench.file), behind, bench.wire.wires)
    found: list[AnySample] = []
    for _ in range(120):
        bench.wire.advance(bench.wire.now_s + TICK)
        found += rig.read(bench.wire.now_s)
        rig.write(ValveCommand(bench.wire.now_s, 0.6, 0.0))
        bench.wire.driven()
    senses = {"bar.left", "inertial", "air", "motion", "driver"}
    assert {one.device for one in found} == senses | {"valves"}
    pings = [one for one in found if isinstance(one, RangePing)]
    # the simulated bar fires each 8 ms, the real one each 30 ms: its pings alone are told
    assert 25 < len(pings) < 45
    assert behind.truth().left_lift_m > 0.02  # the simulated blade moves as the real valves do
    assert isinstance(one_real(bench.file).inertial, SimulatedInertial)


def test_what_is_simulated_needs_a_simulated_rig(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    with pytest.raises(DeviceError, match="there is no simulated rig behind"):
        open_rig(one_real(bench.file), None, bench.wire.wires)


def test_a_pwm_chip_without_a_lease_is_not_opened(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    bench.rig.close()
    plain = bench.file.model_dump(mode="json")
    plain["valves"] |= {"lease": None, "relay_pin": None}
    told = len(bench.wire.buses["/dev/i2c-1"].writes(0x40))
    rig: MixedRig = open_rig(Rig.model_validate(plain), None, bench.wire.wires)
    assert rig.valves is None
    rig.write(ValveCommand(bench.wire.now_s, 1.0, 1.0))
    assert len(bench.wire.buses["/dev/i2c-1"].writes(0x40)) == told


def test_a_mark_puts_the_wheel_right(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "parts")
    bench.run(0.2)
    assert "+12.50 m" in bench.rig.at_mark(12.5)
    (sample,) = [one for one in bench.run(TICK) if isinstance(one, MotionSample)]
    assert sample.distance_m == 12.5
    assert bench.file.bars[Side.LEFT].device == "bar.left"
