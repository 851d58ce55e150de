"""Cables under a shake: what drivers count while it lasts is told, device by device."""

from __future__ import annotations

from collections import Counter
from functools import partial
from pathlib import Path

import pytest

from drivers.simulated.reference import REFERENCE
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from drivers.standins.wire_world import WireWorld
from firmware_py.commission.daily import Daily, daily_steps
from firmware_py.commission.plugs import Phase, counted
from firmware_py.commission.procedure import Procedure
from firmware_py.commission.runner import counts_of
from firmware_py.devices.open import open_rig
from hil_tests.wired import rig_file, wired

TICK, START = 0.01, 50.0
BAR = "/dev/serial/by-path/3"
BOARD = "/dev/serial/by-path/board"
WRONG_SUM = bytes([0xFF, 0x02, 0x58, 0x00])  # 0xFF + 0x02 + 0x58 ends in 0x59


def day(folder: Path, wiring: str, shake: str = "") -> Daily:
    """shake: the line that is babbled on and pulled for 30 ms, 1 s after the shaking began."""
    file = rig_file(wiring, folder / "temperature")
    sim = SimulatedRig(World(ground="flat"), REFERENCE, 3)
    wire = wired(sim, file, folder / "temperature", START)
    rig = open_rig(file, None, wire.wires)
    procedure = Procedure(daily_steps(file, stand_s=1.5, shake_s=2.0))
    shaken = 0
    while not procedure.done:
        if procedure.next.words == "Shake the cables." and shake:
            shaken += 1
            disturb(wire, shake, shaken)
        said = "ready" if procedure.next.ask else None
        wire.advance(wire.now_s + TICK)
        samples = rig.read(wire.now_s)
        procedure.step(wire.now_s, samples, said, partial(counts_of, rig, wire.now_s))
    assert procedure.result is not None
    return procedure.result


def disturb(wire: WireWorld, port: str, tick: int) -> None:
    line = wire.lines[port]
    if tick in (20, 30, 40):
        line.say(WRONG_SUM, wire.now_s)
    elif tick == 100:
        line.unplug()
    elif tick == 103:
        line.replug()


def of_counts(day: Daily) -> list[str]:
    return [words for words in day.wrong if "bad frames" in words or "losses" in words]


@pytest.mark.parametrize(
    ("wiring", "port", "names"),
    [("parts", BAR, "bar.left"), ("board", BOARD, "valves, bar.left, inertial, driver")],
)
def test_bad_frames_and_lost_ports_under_a_shake_are_told_by_device(
    tmp_path: Path, wiring: str, port: str, names: str
) -> None:
    (words,) = of_counts(day(tmp_path, wiring, port))
    assert words.startswith(f"{names}: bad frames (")
    assert "losses of the line (" in words
    assert "port lost 1" in words
    assert words.endswith("while its cable was shaken. Look at its plugs.")


@pytest.mark.parametrize("wiring", ["parts", "board"])
def test_good_cables_give_no_word_of_it(tmp_path: Path, wiring: str) -> None:
    assert of_counts(day(tmp_path, wiring)) == []


@pytest.mark.parametrize(("n", "told"), [(0, False), (22, False), (23, True)])
def test_what_a_device_counts_standing_still_too_is_not_the_cables(n: int, told: bool) -> None:
    """Poisson, by hand: 6 in 5 s make 12 in 10 s, and three roots of 12 are 10.4; 22.4 in all."""
    stood = Phase(seconds=5.0, counts={"gnss": Counter(checksum=6)})
    shaken = Phase(seconds=10.0, counts={"gnss": Counter(checksum=n, pings=900)})
    found = [*counted(stood, shaken)]
    assert bool(found) is told
    if told:
        assert found == [
            "gnss: bad frames (checksum 23) while its cable was shaken. Look at its plugs."
        ]
