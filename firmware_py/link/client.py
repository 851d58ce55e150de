"""A listener's end of the link: a dashboard, a sound, a printer, a simulated person, a test.

`poll` and `send` never wait. When the loop is gone, `lost` says so in a sentence.
"""

from __future__ import annotations

import socket
import time
from pathlib import Path
from typing import Protocol

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.errors import LineholdError
from firmware_py.link.frames import MOST, Bye, FromListener, FromLoop, Hello, join

CUT = "The link to the control loop is cut."
# the loop may have died, and its lease then shuts the valves; or it let go of this listener alone
WHAT_NOW = "Shut the hydraulics by hand, then leave and attach again."
WAIT_S = 20.0  # for a loop that is coming up
AGAIN_S = 0.02  # between two attempts at a loop that is coming up
BATCH = 256  # frames taken at one poll: a second of ticks and more


class LinkError(LineholdError, OSError):
    """No loop listens there, or it speaks another version."""


class Source(Protocol):
    """What a dashboard needs of the link; tests hand in one of their own."""

    @property
    def lost(self) -> str:
        """Why nothing more comes; '' while the loop is there."""
        ...

    def poll(self) -> list[FromLoop]:
        """All frames that have come, oldest first."""
        ...

    def send(self, frame: FromListener) -> bool:
        """Ask; False when it could not be sent."""
        ...


class Client:
    """A connection to a running loop. LinkError when there is none."""

    def __init__(self, path: Path, name: str, *, looks: bool = False, keeper: str = "") -> None:
        self.path = path
        self.lost = ""
        self.refused = 0  # frames that fit no type
        self._encoder = msgspec.msgpack.Encoder()
        self._decoder = msgspec.msgpack.Decoder(FromLoop)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            self._socket.connect(str(path))
            self._socket.send(self._encoder.encode(join(name, looks=looks, keeper=keeper)))
        except OSError as error:
            self._socket.close()
            why = error.strerror or str(error)
            raise LinkError(
                f"no controller answers at {path} ({why}); start one with: linehold run"
            ) from error
        self._socket.setblocking(False)

    def fileno(self) -> int:
        """For select."""
        return self._socket.fileno()

    def poll(self) -> list[FromLoop]:
        """All frames that have come, oldest first; at most BATCH."""
        found: list[FromLoop] = []
        while not self.lost and len(found) < BATCH:
            try:
                data = self._socket.recv(MOST)
            except BlockingIOError:
                break
            except OSError as error:
                self.lost = f"{CUT} ({error.strerror}) {WHAT_NOW}"
                break
            if not data:
                self.lost = f"{CUT} {WHAT_NOW}"
                break
            self._take(data, found)
        return found

    def _take(self, data: bytes, found: list[FromLoop]) -> None:
        try:
            frame = self._decoder.decode(data)
        except NO_MESSAGE:
            self.refused += 1
            return
        found.append(frame)
        if isinstance(frame, Bye):
            self.lost = frame.why

    def send(self, frame: FromListener) -> bool:
        """Ask; False when it could not be sent, for the loop is gone or busy."""
        if self.lost:
            return False
        try:
            self._socket.send(self._encoder.encode(frame))
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Leave."""
        self.lost = self.lost or "closed"
        self._socket.close()


def wait_for(path: Path, name: str, wait_s: float, *, looks: bool = False) -> Client:
    """A connection to a loop that is coming up; LinkError when it has not come by then."""
    until = time.monotonic() + wait_s
    while True:
        try:
            return Client(path, name, looks=looks)
        except LinkError:
            if time.monotonic() >= until:
                raise
        time.sleep(AGAIN_S)


class Coming:
    """A Source for a loop that is coming up: what looks at it need not wait for it."""

    def __init__(
        self, path: Path, name: str, wait_s: float = WAIT_S, *, looks: bool = False
    ) -> None:
        self.path, self._name, self._looks = path, name, looks
        self._until = time.monotonic() + wait_s
        self._client: Client | None = None
        self._why = ""

    @property
    def lost(self) -> str:
        return self._why if self._client is None else self._client.lost

    def poll(self) -> list[FromLoop]:
        """What has come; nothing while nobody answers."""
        if self._client is None and not self._why:
            try:
                self._client = Client(self.path, self._name, looks=self._looks)
            except LinkError as error:
                self._why = str(error) if time.monotonic() >= self._until else ""
        return [] if self._client is None else self._client.poll()

    def send(self, frame: FromListener) -> bool:
        """Ask; False while nobody answers."""
        return self._client is not None and self._client.send(frame)

    def close(self) -> None:
        """Leave."""
        if self._client is not None:
            self._client.close()


def hello_of(frames: list[FromLoop]) -> Hello | None:
    """The loop's hello among frames."""
    return next((frame for frame in frames if isinstance(frame, Hello)), None)
