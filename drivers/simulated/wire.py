"""The cable between a simulated rig in a process of its own and whoever reads it: SEQPACKET.

The same physics as in a trial, in real time. The valves' lease is the rig's: when commands stop
coming, for whatever reason, the oil is shut. Sample times are on the clock that all processes of
one computer share.
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Callable, Sequence

import msgspec

from drivers.samples import AnySample, ValveCommand
from drivers.simulated.driver import Person
from drivers.simulated.rig import SimulatedRig

PACK = 32  # samples in one datagram
AT_ONCE = 64  # samples that one read is content with: after a stall the rest comes with the next
KEPT = 100  # samples that wait for a reader who is late, a quarter of a second; then the oldest go
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


ToPerson = PersonDrives | PersonHand | PersonEnables
ToRig = ValveCommand | PersonDrives | PersonHand | PersonEnables


class RigHost:
    """The rig's side: `step` each few milliseconds. moved: told what the person is asked to do."""

    def __init__(
        self, rig: SimulatedRig, wire: socket.socket, moved: Callable[[ToPerson], None]
    ) -> None:
        wire.setblocking(False)
        self._rig, self._wire, self._moved = rig, wire, moved
        self._encoder = msgspec.msgpack.Encoder()
        self._decoder = msgspec.msgpack.Decoder(ToRig)
        self._waiting: deque[AnySample] = deque(maxlen=KEPT)
        self.gone = False  # nobody holds the other end any more

    def step(self, now_s: float) -> None:
        """Physics up to now; commands in, samples out."""
        self._waiting.extend(self._rig.read(now_s))
        self._hear()
        self._tell()

    def _hear(self) -> None:
        while not self.gone:
            try:
                data = self._wire.recv(MOST)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self.gone = True
                return
            try:
                frame = self._decoder.decode(data)
            except msgspec.MsgspecError:
                continue  # a valve that is sent nonsense does nothing
            if isinstance(frame, ValveCommand):
                self._rig.write(frame)
            else:
                self._moved(frame)

    def _tell(self) -> None:
        waiting = self._waiting
        while waiting and not self.gone:
            pack = [waiting[n] for n in range(min(PACK, len(waiting)))]
            try:
                self._wire.send(self._encoder.encode(pack))
            except BlockingIOError:
                return
            except OSError:
                self.gone = True
                return
            for _ in pack:
                waiting.popleft()


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


def ask_person(person: Person, what: ToPerson) -> None:
    """Do as asked; a hand that is no number is no hand."""
    match what:
        case PersonDrives(speed_mps=speed):
            person.drive(0.0 if speed is None else speed)
        case PersonHand(end=end, lever=lever):
            person.hand(end, lever)
        case PersonEnables(held=held):
            person.enable(held)
