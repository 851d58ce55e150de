"""A server of the link as the loop holds it, and clients that are let in."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import msgspec
from test_journal_making import tick

from firmware_py.link.client import Client
from firmware_py.link.frames import Bench, FromLoop
from firmware_py.link.server import Server
from firmware_py.live.hello import make_hello
from firmware_py.messages import Answer
from firmware_py.settings_file import find_rig, load_rig

HELLO = make_hello(load_rig(find_rig("reference")), "run.mcap", 5.0)


class Loop:
    """A server as the loop holds it, and what it was told."""

    def __init__(self, path: Path, bench: Callable[[Bench], str] | None = None) -> None:
        self.stopped: list[str] = []
        self.server = Server(path, HELLO, self.stopped.append, bench=bench, keeper="word")
        self.seq = 0

    def turn(self, times: int = 1, *answers: Answer) -> list[object]:
        """Ticks: requests in, one tick out."""
        found: list[object] = []
        for _ in range(times):
            found += self.server.take()
            self.server.put(msgspec.structs.replace(tick(self.seq), answers=answers))
            self.seq += 1
        return found


OPEN: list[Client] = []


def joined(loop: Loop, path: Path, **how: object) -> tuple[Client, list[FromLoop]]:
    """A client that has been let in, and the frames that it got meanwhile."""
    client = Client(path, "test", **how)  # type: ignore[arg-type]
    OPEN.append(client)
    loop.turn(3)
    return client, client.poll()


def raw(path: Path) -> socket.socket:
    made = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    made.connect(str(path))
    made.setblocking(False)
    return made
