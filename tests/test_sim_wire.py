"""The cable to a simulated rig in a process of its own: samples, commands, lease, and its ends."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from drivers.samples import InertialSample, ValveCommand
from drivers.simulated.host import RigHost, ask_person
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.wire import (
    AT_ONCE,
    PACK,
    PersonBegins,
    PersonDrives,
    PersonEnables,
    PersonHand,
    RemoteRig,
    ToPerson,
)
from drivers.simulated.world import Reference, World

START_S = 50.0


class Cable:
    """Both sides in one process, on a made-up clock."""

    def __init__(self) -> None:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.rig = SimulatedRig(World(left=Reference()))
        self.asked: list[ToPerson] = []
        self.host = RigHost(self.rig, theirs, self._asked)
        self.remote, self._theirs = RemoteRig(ours), theirs
        self.now_s = START_S

    def _asked(self, what: ToPerson) -> None:
        self.asked.append(what)
        ask_person(self.rig.person, what)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.005)):
            self.now_s += 0.005
            self.host.step(self.now_s)

    def close(self) -> None:
        self.remote.close()
        self._theirs.close()


@pytest.fixture
def cable() -> Iterator[Cable]:
    made = Cable()
    yield made
    made.close()


def test_the_same_samples_come_as_without_the_cable(cable: Cable) -> None:
    bare = SimulatedRig(World(left=Reference()))
    expected: list[object] = []
    got: list[object] = []
    bare.read(START_S)
    cable.host.step(START_S)
    cable.remote.read(START_S)
    for n in range(100):
        cable.run(0.01)
        got += cable.remote.read(cable.now_s)
        for half in (0.005, 0.01):
            expected += bare.read(START_S + n * 0.01 + half)
    assert len(got) > 300
    assert got == expected


def test_commands_reach_the_valves_and_end_with_their_lease(cable: Cable) -> None:
    cable.run(1.0)
    cable.remote.write(ValveCommand(cable.now_s, 0.5, -0.25))
    cable.run(0.01)
    assert cable.rig.valve_output(cable.now_s) == (0.5, -0.25)
    cable.run(0.18)
    assert cable.rig.valve_output(cable.now_s) == (0.5, -0.25)
    cable.run(0.025)
    assert cable.rig.valve_output(cable.now_s) == (0.0, 0.0)
    cable.run(0.3)  # and after the dead time the oil has stopped
    truth = cable.rig.truth()
    assert (truth.left_oil, truth.right_oil) == (0, 0)


def test_a_reader_that_stood_still_gets_the_newest_samples_and_not_all(cable: Cable) -> None:
    cable.run(0.5)
    cable.remote.read(cable.now_s)
    cable.run(10.0)
    got: list[object] = []
    reads = 0
    while more := cable.remote.read(cable.now_s):
        assert len(more) < AT_ONCE + PACK
        got, reads = [*got, *more], reads + 1
        cable.run(0.01)
        if isinstance(more[-1], InertialSample) and more[-1].time_s > cable.now_s - 0.03:
            break
    assert reads < 100  # it has caught up within a second of ticks
    assert len(got) < 4500  # of some 4,300 that were sent the queue kept a part


def test_the_person_is_asked_by_the_same_cable(cable: Cable) -> None:
    sent = (PersonEnables(True), PersonDrives(0.4), PersonHand("left", 0.3), PersonBegins())
    for what in sent:
        assert cable.remote.person(what)
    cable.run(3.0)
    assert cable.asked == list(sent)
    assert cable.rig.person.enabled
    assert cable.rig.person.hands == (0.3, None)
    assert cable.rig.truth().speed_mps == pytest.approx(0.4, abs=0.1)


def test_nonsense_on_the_cable_does_nothing(cable: Cable) -> None:
    cable.remote._wire.send(b"\xff\xff")
    cable.run(0.02)
    assert not cable.host.gone
    assert cable.rig.valve_output(cable.now_s) == (0.0, 0.0)


def test_when_the_loop_has_gone_the_rig_knows(cable: Cable) -> None:
    cable.run(0.1)
    cable.remote.close()
    cable.run(0.01)
    assert cable.host.gone


def test_a_rig_that_has_gone_gives_no_samples_and_takes_no_command(cable: Cable) -> None:
    cable._theirs.close()
    assert list(cable.remote.read(cable.now_s)) == []
    assert cable.remote.gone
    cable.remote.write(ValveCommand(cable.now_s, 0.5, 0.5))
    assert not cable.remote.person(PersonDrives(0.5))
