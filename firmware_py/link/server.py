"""The loop's end of the link: an outlet for ticks and a source of requests, in the loop's tick.

Nothing here waits. A slow listener loses ticks, which are counted; a dead one is let go; one that
sends nonsense or too much is heard at its turn, one frame a tick, and cannot make the loop late.
Requests are passed on as they come: the controller is the judge of them.
"""

from __future__ import annotations

import select
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.link.address import listen, same_user
from firmware_py.link.frames import (
    MOST,
    VERSION,
    Ask,
    Beat,
    Bench,
    Bye,
    FromListener,
    FromLoop,
    Hello,
    Host,
    Join,
    Note,
    Stop,
    Told,
)
from firmware_py.link.peer import BAD, Peer, Tally
from firmware_py.messages import SCHEMA, Answer, AnyRequest, Tick

LISTENERS = 256  # at most; further ones are turned away
SENDS = 8  # ticks sent in one tick: with more listeners than that, each gets its turn
LONGEST = 1200  # bytes of a listener's frame; a mark of 200 letters has at most 830
PER_TICK = 4  # frames taken from all listeners in one tick, one of each at most
FIRST = 1_000_000  # numbers of requests from listeners, apart from those of the loop's own


class Timing(Protocol):
    """How the loop keeps its time."""

    late_s: float
    work_s: float
    missed: int


class Server:
    """`put` each tick, `take` each tick. AddressError when the socket cannot be had.

    bench: does what a listener asks of a simulated person, and says why not; None: a real rig.
    """

    def __init__(
        self, path: Path, hello: Hello, stop: Callable[[str], None], *,
        bench: Callable[[Bench], str] | None = None, keeper: str = "",
    ) -> None:  # fmt: skip
        self.path, self.hello = path, hello
        self.timing: Timing | None = None
        self._stop, self._bench, self._keeper = stop, bench, keeper
        self._encoder = msgspec.msgpack.Encoder()
        self._decoder = msgspec.msgpack.Decoder(FromListener)
        self._peers: dict[int, Peer] = {}
        self._owners: dict[int, tuple[Peer, int]] = {}
        self._turns: deque[int] = deque()
        self._number = FIRST
        self._tally = Tally()
        self._socket = listen(path)
        self._epoll = select.epoll()
        self._epoll.register(self._socket.fileno(), select.EPOLLIN)

    @property
    def listeners(self) -> int:
        return sum(peer.joined for peer in self._peers.values())

    @property
    def dropped(self) -> int:
        """Frames that listeners were too slow for, all together."""
        return self._tally.dropped

    def put(self, tick: Tick) -> None:
        """Hand one tick on to whoever has room for it."""
        for answer in tick.answers:
            self._answer(answer)
        if not self._peers:
            return
        timing = self.timing
        late, work, missed = (timing.late_s, timing.work_s, timing.missed) if timing else (0, 0, 0)
        data = self._encoder.encode(Beat(tick, late, work, missed, self.dropped))
        turns = self._turns
        for _ in range(min(SENDS, len(turns))):
            fd = turns[0]
            turns.rotate(-1)
            peer = self._peers[fd]
            if peer.joined and not peer.put(data):
                self._leave(fd)

    def tell(self, frame: FromLoop) -> None:
        """Something that is no tick, to all listeners."""
        data = self._encoder.encode(frame)
        for peer in self._peers.values():
            if peer.joined:
                peer.later(data)

    def take(self) -> Sequence[AnyRequest]:
        """Requests that came, at most PER_TICK; the system reports whoever waits in turn."""
        found: list[AnyRequest] = []
        for fd, _ in self._epoll.poll(0, PER_TICK):
            if fd == self._socket.fileno():
                self._accept()
            else:
                self._hear(fd, found)
        return found

    def close(self, why: str) -> None:
        """Say goodbye, and take the socket away."""
        self.tell(Bye(why))
        for peer in self._peers.values():
            peer.flush()
            peer.close()
        self._peers.clear()
        self._epoll.close()
        self._socket.close()
        with suppress(OSError):
            self.path.unlink()

    def _accept(self) -> None:
        try:
            connection, _ = self._socket.accept()
        except OSError:
            return
        if len(self._peers) >= LISTENERS or not same_user(connection):
            connection.close()
            return
        fd = connection.fileno()
        self._peers[fd] = Peer(connection, self._tally)
        self._turns.append(fd)
        self._epoll.register(fd, select.EPOLLIN)

    def _leave(self, fd: int) -> None:
        peer = self._peers.pop(fd)
        self._turns.remove(fd)
        self._owners = {n: owner for n, owner in self._owners.items() if owner[0] is not peer}
        with suppress(OSError):
            self._epoll.unregister(fd)
        peer.close()

    def _hear(self, fd: int, found: list[AnyRequest]) -> None:
        """One frame of one listener."""
        peer = self._peers[fd]
        try:
            data = peer.socket.recv(MOST)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._leave(fd)
            return
        try:
            if len(data) > LONGEST:
                raise msgspec.ValidationError("longer than any request")
            frame = self._decoder.decode(data)
        except NO_MESSAGE:
            peer.bad += 1
            if peer.bad > BAD:
                self._leave(fd)
            return
        if isinstance(frame, Join) and not peer.joined:  # once: who looks cannot turn to asking
            self._join(fd, peer, frame)
        elif peer.joined:
            self._frame(peer, frame, found)

    def _join(self, fd: int, peer: Peer, frame: Join) -> None:
        if (frame.version, frame.schema) != (VERSION, SCHEMA):
            words = (
                f"This loop speaks link {VERSION} with messages {SCHEMA}, the dashboard speaks "
                f"{frame.version} with {frame.schema}: use the same version of Linehold for both."
            )
            peer.put(self._encoder.encode(Bye(words)))
            self._leave(fd)
            return
        peer.name, peer.looks, peer.joined = frame.name[:40], frame.looks, True
        peer.keeper = bool(self._keeper) and frame.keeper == self._keeper
        hello = msgspec.structs.replace(self.hello, may_ask=not frame.looks)
        peer.later(self._encoder.encode(hello))

    def _frame(self, peer: Peer, frame: FromListener, found: list[AnyRequest]) -> None:
        if isinstance(frame, (Host, Note)):
            if peer.keeper:
                self.tell(frame)
            return
        if isinstance(frame, Join):
            return
        number = frame.request.number if isinstance(frame, Ask) else frame.number
        if peer.looks:
            self._tell(peer, number, "this dashboard may look, not ask")
        elif isinstance(frame, Ask):
            self._number += 1
            self._owners[self._number] = peer, number
            found.append(msgspec.structs.replace(frame.request, number=self._number))
        elif isinstance(frame, Stop):
            self._tell(peer, number, "")
            self._stop(frame.why)
        else:
            self._tell(peer, number, self._do_bench(frame))

    def _do_bench(self, frame: Bench) -> str:
        if self._bench is None:
            return "only a simulated rig has a simulated driver"
        return self._bench(frame)

    def _tell(self, peer: Peer, number: int, reason: str) -> None:
        peer.later(self._encoder.encode(Told(Answer(number, not reason, reason))))

    def _answer(self, answer: Answer) -> None:
        """To whoever asked, by the number that the asker knows."""
        owner = self._owners.pop(answer.number, None)
        if owner is not None:
            self._tell(owner[0], owner[1], answer.reason)
