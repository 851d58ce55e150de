"""`linehold address` on stand-ins: the list, the change, its undo, and each refusal."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner, Result

from drivers.standins.i2c_bus import StandInBus
from drivers.standins.rangers import PlainChip, RegisterChip, Sight
from drivers.wires import Wires
from firmware_py.commands import cli


class Bench:
    """One bus on virtual time."""

    def __init__(self) -> None:
        self.now = 0.0
        self.bus = StandInBus()
        self.paths: list[str] = []
        self.wires = Wires(bus=self._open, clock=lambda: self.now, wait=self._wait)

    def _open(self, path: str) -> Any:
        self.paths.append(path)
        return self.bus

    def _wait(self, seconds: float) -> None:
        self.now += seconds

    def call(self, *words: str) -> Result:
        return CliRunner().invoke(cli, ["address", *words], obj=self.wires)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_who_answers_is_listed(bench: Bench) -> None:
    assert bench.call().stdout == "/dev/i2c-1: nobody\n"
    for address in (0x71, 0x70):
        PlainChip(bench.bus, address, Sight(), lambda: bench.now)
    assert bench.call("--bus", "/dev/i2c-3").stdout == "/dev/i2c-3: 0x70, 0x71\n"
    found = bench.call("--json")
    assert json.loads(found.stdout) == {"bus": "/dev/i2c-1", "answer": [0x70, 0x71]}
    assert bench.paths == ["/dev/i2c-1", "/dev/i2c-3", "/dev/i2c-1"]


def test_a_plain_ranger_moves_and_moves_back(bench: Bench) -> None:
    chip = PlainChip(bench.bus, 0x70, Sight([1.23]), lambda: bench.now)
    found = bench.call("0x70", "0x71")
    assert (found.exit_code, chip.address) == (0, 0x71)
    assert found.stdout == "0x70 is 0x71 now, and gives a range (raw 123).\n"
    back = bench.call("113", "112", "--json")
    assert json.loads(back.stdout) == {"bus": "/dev/i2c-1", "old": 113, "new": 112, "raw": 123}
    assert chip.address == 0x70


def test_a_ranger_of_registers_moves(bench: Bench) -> None:
    chip = RegisterChip(bench.bus, 0x70, Sight([0.6]), lambda: bench.now)
    found = bench.call("0x70", "0x73", "--kind", "i2c-registers")
    assert (found.exit_code, chip.address) == (0, 0x73)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("0x70",), "0x70 and what? The new address is right, after the old one"),
        (("0x70", "0xE2"), "'0xE2' is beyond 7 bits for a chip; 0x08 to 0x77 are right"),
        (("seventy", "0x71"), "'seventy' is no address; 0x71, for instance, is"),
        (("0x70", "0x55"), "0x55 is refused by these chips"),
        (("0x72", "0x74"), "nothing answers at 0x72"),
        (("0x70", "0x71"), "0x71 is taken"),
        (("0x70", "0x70"), "the address is 0x70 already"),
        (("0x70", "0x74", "--kind", "uart"), "'uart' is not one of"),
    ],
)
def test_what_cannot_be_is_one_sentence(bench: Bench, words: tuple[str, ...], told: str) -> None:
    first, second = (
        PlainChip(bench.bus, address, Sight(), lambda: bench.now) for address in (0x70, 0x71)
    )
    found = bench.call(*words)
    assert found.exit_code == 2
    assert told in found.stderr
    assert "Traceback" not in found.output
    assert (first.address, second.address) == (0x70, 0x71)
