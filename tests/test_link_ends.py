"""The link's beginning and end: sockets, paths, loops that die and loops that are coming up."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from firmware_py.link.address import AddressError, default_path
from firmware_py.link.client import Client, Coming, LinkError, hello_of
from firmware_py.link.frames import Ask, Bye
from firmware_py.messages import Engage
from tests.link_bench import HELLO, OPEN, Loop, joined


@pytest.fixture
def path(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path / "link.sock"
    while OPEN:
        OPEN.pop().close()


def test_the_end_is_told_and_the_socket_goes(path: Path) -> None:
    loop = Loop(path)
    client, _ = joined(loop, path)
    loop.server.close("The loop ended: the time is up. Valves neutral.")
    assert isinstance(client.poll()[-1], Bye)
    assert client.lost == "The loop ended: the time is up. Valves neutral."
    assert not path.exists()
    with pytest.raises(LinkError, match="no controller answers at"):
        Client(path, "late")


def test_a_loop_that_dies_is_seen(path: Path) -> None:
    loop = Loop(path)
    client, _ = joined(loop, path)
    for peer in loop.server._peers.values():
        peer.close()
    client.poll()
    assert client.lost.startswith(
        "The link to the control loop is cut. Shut the hydraulics by hand"
    )
    assert not client.send(Ask(Engage(1)))
    loop.server._peers.clear()
    loop.server.close("")


def test_a_socket_in_use_is_not_taken_and_a_dead_one_is(path: Path) -> None:
    loop = Loop(path)
    with pytest.raises(AddressError, match="in use by a running controller"):
        Loop(path)
    loop.server._socket.close()  # as a kill leaves it
    assert path.exists()
    Loop(path).server.close("")


def test_a_file_is_never_overwritten_nor_a_folder_of_others_used(tmp_path: Path) -> None:
    file = tmp_path / "precious"
    file.write_text("data")
    with pytest.raises(AddressError, match="not a socket"):
        Loop(file)
    assert file.read_text() == "data"
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)
    with pytest.raises(AddressError, match="written by others"):
        Loop(shared / "link.sock")


def test_a_path_that_is_too_long_is_told(tmp_path: Path) -> None:
    with pytest.raises(AddressError, match="longer than 107 bytes"):
        Loop(tmp_path / ("x" * 120))


def test_the_default_path_is_the_users_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    assert default_path().parent == tmp_path
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    assert str(os.getuid()) in str(default_path())


def test_a_loop_that_is_coming_up_need_not_be_waited_for(path: Path) -> None:
    coming = Coming(path, "early", wait_s=30.0)
    assert coming.poll() == []
    assert (coming.lost, coming.send(Ask(Engage(1)))) == ("", False)
    loop = Loop(path)
    coming.poll()
    loop.turn(3)
    assert hello_of(coming.poll()) == HELLO
    assert coming.send(Ask(Engage(1)))
    assert len(loop.turn(2)) == 1
    loop.server.close("over")
    coming.poll()
    assert coming.lost == "over"
    coming.close()


def test_one_that_never_comes_is_told(path: Path) -> None:
    coming = Coming(path, "early", wait_s=0.0)
    assert coming.poll() == []
    assert "no controller answers at" in coming.lost
    coming.close()
