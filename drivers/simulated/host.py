"""The simulated rig's side of the cable: the same physics as in a trial, in real time.

The valves' lease is the rig's: when commands stop coming, for whatever reason, the oil is shut.
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Callable

import msgspec

from drivers.samples import NO_MESSAGE, AnySample, ValveCommand
from drivers.simulated.driver import Person
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.wire import (
    MOST,
    PACK,
    PersonDrives,
    PersonEnables,
    PersonHand,
    ToPerson,
    ToRig,
)

KEPT = 100  # samples that wait for a reader who is late, a quarter of a second; then the oldest go


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
            except NO_MESSAGE:
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


def ask_person(person: Person, what: ToPerson) -> None:
    """Do as asked; a hand that is no number is no hand."""
    match what:
        case PersonDrives(speed_mps=speed):
            person.drive(0.0 if speed is None else speed)
        case PersonHand(end=end, lever=lever):
            person.hand(end, lever)
        case PersonEnables(held=held):
            person.enable(held)
