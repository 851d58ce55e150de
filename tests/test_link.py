"""The link: what passes, who may ask, and that no listener can cost the loop anything."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from test_journal_making import tick

from firmware_py.link.client import hello_of
from firmware_py.link.frames import (
    SCHEMA,
    VERSION,
    Ask,
    Beat,
    Begin,
    Bench,
    Bye,
    Drive,
    FromLoop,
    HoldEnable,
    Host,
    Join,
    Lever,
    Note,
    Stop,
    Told,
    join,
)
from firmware_py.link.peer import BAD, WAITING
from firmware_py.link.server import PER_TICK, SENDS
from firmware_py.messages import Answer, Engage, Mark, Nudge, Side
from tests.link_bench import HELLO, OPEN, Loop, joined, raw


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "link.sock"


@pytest.fixture
def loop(path: Path) -> Iterator[Loop]:
    made = Loop(path, bench=lambda frame: "")
    yield made
    made.server.close("the test is over")


@pytest.fixture(autouse=True)
def _close() -> Iterator[None]:
    yield
    while OPEN:
        OPEN.pop().close()


def test_a_listener_gets_the_hello_first_and_then_each_tick(loop: Loop, path: Path) -> None:
    client, first = joined(loop, path)
    assert first[0] == HELLO
    assert hello_of(first) == HELLO
    loop.turn(5)
    beats = [f for f in [*first, *client.poll()] if isinstance(f, Beat)]
    assert [b.tick.seq for b in beats] == list(range(beats[0].tick.seq, loop.seq))
    assert beats[-1].tick == tick(loop.seq - 1)


def test_nobody_else_may_open_the_socket(loop: Loop, path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_request_gets_its_answer_by_the_askers_own_number(loop: Loop, path: Path) -> None:
    one, _ = joined(loop, path)
    two, _ = joined(loop, path)
    one.send(Ask(Nudge(7, Side.LEFT, 0.002)))
    two.send(Ask(Engage(7)))
    asked = loop.turn(2)
    numbers = {type(request): request.number for request in asked}  # type: ignore[attr-defined]
    assert set(numbers) == {Nudge, Engage}
    assert numbers[Nudge] != numbers[Engage]
    loop.turn(1, Answer(numbers[Nudge], True, ""), Answer(numbers[Engage], False, "no datum"))
    loop.turn(1)
    assert [f.answer for f in one.poll() if isinstance(f, Told)] == [Answer(7, True, "")]
    assert [f.answer for f in two.poll() if isinstance(f, Told)] == [Answer(7, False, "no datum")]


def test_who_only_looks_is_refused_and_nothing_reaches_the_controller(
    loop: Loop, path: Path
) -> None:
    client, first = joined(loop, path, looks=True)
    hello = hello_of(first)
    assert hello is not None
    assert not hello.may_ask
    for frame in (Ask(Engage(1)), Drive(2, 0.5), Stop(3)):
        client.send(frame)
    assert loop.turn(6) == []
    told = [f.answer for f in client.poll() if isinstance(f, Told)]
    assert [(a.number, a.done) for a in told] == [(1, False), (2, False), (3, False)]
    assert loop.stopped == []


def test_before_it_has_joined_nobody_is_heard(loop: Loop, path: Path) -> None:
    stranger = raw(path)
    loop.turn()
    stranger.send(msgspec.msgpack.encode(Ask(Engage(1))))
    assert loop.turn(3) == []
    with pytest.raises(BlockingIOError):
        stranger.recv(1000)
    stranger.close()


@pytest.mark.parametrize(("version", "schema"), [(VERSION + 1, SCHEMA), (VERSION, SCHEMA - 1)])
def test_another_version_is_told_so_and_let_go(
    loop: Loop, path: Path, version: int, schema: int
) -> None:
    other = raw(path)
    other.send(msgspec.msgpack.encode(Join(version, schema, "old", looks=False)))
    loop.turn(3)
    bye = msgspec.msgpack.decode(other.recv(4000), type=FromLoop)
    assert isinstance(bye, Bye)
    assert "use the same version of Linehold" in bye.why
    assert other.recv(4000) == b""
    other.close()


def test_a_stuck_listener_loses_ticks_that_are_counted_and_others_none(
    loop: Loop, path: Path
) -> None:
    stuck, _ = joined(loop, path)
    lively, _ = joined(loop, path)
    stuck.poll()
    got: list[int] = []
    for _ in range(1000):
        loop.turn()
        got += [f.tick.seq for f in lively.poll() if isinstance(f, Beat)]
    assert got == list(range(loop.seq - 1000, loop.seq))
    assert loop.server.dropped > 500
    late: list[FromLoop] = []
    while found := stuck.poll():
        late += found
    assert len(late) == 1000 - loop.server.dropped
    loop.turn(2)  # and it is served again
    assert [f.tick.seq for f in stuck.poll() if isinstance(f, Beat)][-1] == loop.seq - 1


def test_answers_wait_for_a_listener_that_was_stuck(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    client.send(Ask(Engage(9)))
    [request] = loop.turn(1000)  # by now its socket is full
    loop.turn(1, Answer(request.number, True, ""))  # type: ignore[attr-defined]
    loop.turn(50)
    found: list[FromLoop] = []
    while more := client.poll():
        found += more
        loop.turn(1)
        if len(found) > 1500:
            break
    assert [f.answer for f in found if isinstance(f, Told)] == [Answer(9, True, "")]


def test_a_listener_that_has_gone_is_let_go(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    assert loop.server.listeners == 1
    client.close()
    loop.turn(2)
    assert loop.server.listeners == 0


def test_a_flood_of_requests_is_heard_at_its_turn(loop: Loop, path: Path) -> None:
    """The flood fills its own socket; a second listener is answered within two ticks."""
    flood, _ = joined(loop, path)
    calm, _ = joined(loop, path)
    sent = 0
    while flood.send(Ask(Nudge(sent, Side.LEFT, 1e-4))):
        sent += 1
    assert sent > 5
    calm.send(Ask(Engage(1)))
    first, second = loop.turn(1), loop.turn(1)
    assert max(len(first), len(second)) <= PER_TICK
    heard = [*first, *second]
    assert any(isinstance(request, Engage) for request in heard)


def test_nonsense_is_dropped_and_who_sends_nothing_else_is_let_go(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    for junk in (
        b"\xff\xff",
        b"",
        b"x" * 4000,
        b"\x92\xa1\xbc\xc0",
        msgspec.msgpack.encode({"engage": True}),
    ):
        client._socket.send(junk)
        assert loop.turn(2) == []
        if not junk:  # an empty frame cannot be told from a goodbye
            client, _ = joined(loop, path)
    assert loop.server.listeners == 1
    for _ in range(2 * BAD):
        try:
            client._socket.send(b"\xff")
        except OSError:
            break
        loop.turn()
    assert loop.server.listeners == 0


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_no_number_is_left_to_the_controller(loop: Loop, path: Path, value: float) -> None:
    client, _ = joined(loop, path)
    client.send(Ask(Nudge(1, Side.LEFT, value)))
    [request] = loop.turn(2)
    assert isinstance(request, Nudge)


def test_many_listeners_share_what_a_tick_may_cost(loop: Loop, path: Path) -> None:
    clients = []
    for _ in range(3 * SENDS):
        client, _ = joined(loop, path)
        clients.append(client)
    loop.turn(6)
    for client in clients:
        client.poll()
    loop.turn(3)
    seen = [[f for f in client.poll() if isinstance(f, Beat)] for client in clients]
    assert sum(len(beats) for beats in seen) == 3 * SENDS
    assert all(len(beats) == 1 for beats in seen)


def test_a_simulated_person_is_asked_and_a_real_one_is_not(path: Path) -> None:
    asked: list[Bench] = []
    loop = Loop(path, bench=lambda frame: asked.append(frame) or "")  # type: ignore[func-returns-value]
    client, _ = joined(loop, path)
    frames = [Drive(1, 0.5), Lever(2, Side.LEFT, -0.5), HoldEnable(3, True), Begin(0)]
    for frame in frames:
        client.send(frame)
    loop.turn(5)
    assert asked == frames
    loop.server.close("")
    loop = Loop(path)
    client, _ = joined(loop, path)
    client.send(Drive(1, 0.5))
    loop.turn(3)
    [told] = [f.answer for f in client.poll() if isinstance(f, Told)]
    assert told.reason == "only a simulated rig has a simulated driver"
    loop.server.close("")


def test_only_the_keeper_speaks_to_all(loop: Loop, path: Path) -> None:
    keeper, _ = joined(loop, path, keeper="word")
    other, _ = joined(loop, path, keeper="a guess")
    other.send(Note("all is well"))
    loop.turn(3)
    assert not [f for f in [*keeper.poll(), *other.poll()] if isinstance(f, Note)]
    host = Host(1.0, "", 5, None, None, "", (), (None, None), 0.0)
    keeper.send(Note("the disk is full"))
    keeper.send(host)
    loop.turn(4)
    got = other.poll()
    assert Note("the disk is full") in got
    assert host in got


def test_stop_reaches_the_loop(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    client.send(Stop(4, "stopped at a dashboard"))
    loop.turn(2)
    assert loop.stopped == ["stopped at a dashboard"]


def test_waiting_has_an_end(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    for n in range(3 * WAITING):
        loop.server.tell(Note(f"note {n}"))
    for _ in range(20):
        loop.turn()
        client.poll()
    loop.turn()
    assert loop.server.dropped >= 2 * WAITING


def test_who_joined_to_look_cannot_join_again_to_ask(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path, looks=True)
    client.send(join("again"))
    client.send(Ask(Engage(1)))
    assert loop.turn(4) == []
    [told] = [f.answer for f in client.poll() if isinstance(f, Told)]
    assert not told.done


def test_a_frame_longer_than_any_request_never_reaches_a_tick(loop: Loop, path: Path) -> None:
    client, _ = joined(loop, path)
    client.send(Ask(Mark(1, "x" * 5000)))
    assert loop.turn(3) == []
    client.send(Ask(Mark(2, "\u20ac" * 200)))
    assert len(loop.turn(3)) == 1
