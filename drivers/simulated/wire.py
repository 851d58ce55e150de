"""The cable between a simulated rig in a process of its own and whoever reads it: SEQPACKET.

Sample times are on the clock that all processes of one computer share. The rig's side stands in
host.py, so that a reader loads nothing of the simulated rig.
"""

from __future__ import annotations

import socket
from collections.abc import Sequence

import msgspec

from drivers.samples import AnySample, ValveCommand

PACK = 32  # samples in one datagram
AT_ONCE = 64  # samples that one read is content with: after a stall the rest comes with the next
MOST = 32 * 1024  # bytes of a datagram


class PersonDrives(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="drives"):
    """The simulated person drives at this speed, m/s; None: does as it likes again."""

    speed_mps: float | None


class PersonHand(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="hand"):
    """A hand on the "left" or "right" lever, -1..1; None: off it."""

    end: str
    lever: float | None


class PersonEnables(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="enables"):
    """The enable input is held, or let go."""

    held: bool


class PersonBegins(msgspec.Struct, frozen=True, array_like=True, gc=False, tag="begins"):
    """The cautions were read: whoever waited for that may begin."""


ToPerson = PersonDrives | PersonHand | PersonEnables | PersonBegins
ToRig = ValveCommand | PersonDrives | PersonHand | PersonEnables | PersonBegins


class RemoteRig:
    """The reader's side, behind drivers.protocols.Rig. A rig that is gone gives no samples."""

    def __init__(self, wire: socket.socket) -> None:
        wire.setblocking(False)
        self._wire = wire
        self._encoder = msgspec.msgpack.Encoder()
        self._decoder = msgspec.msgpack.Decoder(list[AnySample])
        self.gone = False

    def read(self, now_s: float) -> Sequence[AnySample]:
        """What has come, of a long backlog the oldest part."""
        found: list[AnySample] = []
        while not self.gone and len(found) < AT_ONCE:
            try:
                data = self._wire.recv(MOST)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                self.gone = True
                break
            found += self._decoder.decode(data)
        return found

    def write(self, command: ValveCommand) -> None:
        """Command the valves; what cannot be sent shuts them by their lease."""
        self._send(command)

    def person(self, what: ToPerson) -> bool:
        """Ask something of the simulated person."""
        return self._send(what)

    def close(self) -> None:
        """Let go."""
        self.gone = True
        self._wire.close()

    def _send(self, frame: ToRig) -> bool:
        if self.gone:
            return False
        try:
            self._wire.send(self._encoder.encode(frame))
        except BlockingIOError:
            return False
        except OSError:
            self.gone = True
            return False
        return True
