"""The companion board's program: fires the bar, reads sensor and inputs, drives the valves.

Everything is a state machine in one turn of `Board.poll`; what must not wait for it stands in
lease.py and in ranging.Ear, in interrupt context.
"""

import os
from array import array

import machine  # type: ignore[import-not-found]

from . import codec, pins
from .inertial import Mpu6050
from .inputs import Inputs
from .lease import Lease
from .outputs import Outputs
from .ranging import Ranger
from .ticks import ticks_add, ticks_diff, ticks_us
from .wire import open_wire

INPUTS_US = 19_300  # against ticks of 5, 10 or 20 ms: their phases sweep, for the clock's mapping
STATUS_US = 100_000
SILENCE_US = 1_000_000  # after so long without a good frame we stop talking
BAD_RUN = 5  # bad frames one after another: the valves shut
PINGS = 64  # remembered, with their instants
STALE_US = codec.STALE_MS * 1000


class Board:
    """One turn is `poll`."""

    def __init__(self) -> None:
        self._lease = Lease(Outputs())  # first of all: shut
        self._wire = open_wire()
        self._ranger = Ranger()
        self._inputs = Inputs()
        scl, sda = machine.Pin(pins.I2C_SCL), machine.Pin(pins.I2C_SDA)
        self._sensor = Mpu6050(machine.I2C(pins.I2C, scl=scl, sda=sda, freq=pins.I2C_HZ))
        self._decoder = codec.Decoder()
        self._boot = int.from_bytes(os.urandom(4), "little")
        self._fired = array("Q", bytes(8 * PINGS))
        self._sequence = 0
        self._talking = False
        self._heard = self._input_at = self._status_at = self._inertial_at = ticks_us()
        self._bits = -1
        self._state = codec.OFF  # the last that was told
        self._batch: list[tuple[int, tuple]] = []  # type: ignore[type-arg]
        self._stale = self._strange = self._beyond = self._unsent = 0

    def poll(self) -> None:
        self._lease.beat()
        self._hear()
        now = ticks_us()
        ping = self._ranger.poll(now)
        if ping is not None:
            self._tell_ping(ping)
        if ticks_diff(now, self._inertial_at) >= 0:
            self._inertial_at = self._next(self._inertial_at, pins.INERTIAL_US, now)
            self._inertial(now)
        self._tell_inputs(now)
        turned = self._lease.state != self._state
        if turned or ticks_diff(now, self._status_at) >= 0:
            self._status_at = self._next(self._status_at, STATUS_US, now)
            self._status()

    def _next(self, due: int, period: int, now: int) -> int:
        due = int(ticks_add(due, period))
        if ticks_diff(due, now) > 0:
            return due
        return int(ticks_add(now, period))

    # What comes in

    def _hear(self) -> None:
        data = self._wire.read()
        now = ticks_us()
        if data:
            for frame in self._decoder.feed(data):
                self._heard = now
                self._take(frame.kind, frame.fields)
        if self._decoder.worst_run >= BAD_RUN:
            self._lease.disarm(codec.WHY_BAD)
        self._decoder.worst_run = 0
        if self._talking and ticks_diff(now, self._heard) > SILENCE_US:
            self._talking = False

    def _take(self, kind: int, fields: tuple) -> None:  # type: ignore[type-arg]
        if kind == codec.HELLO:
            self._hello(fields[0])
        elif kind == codec.ARM:
            self._arm(*fields)
        elif kind == codec.VALVES:
            self._valves(*fields)
        elif kind == codec.GATE:
            self._gate(*fields)
        elif kind == codec.SYNC:
            self._sync(*fields)

    def _hello(self, version: int) -> None:
        self._lease.disarm(codec.WHY_SESSION)
        self._talking = version == codec.VERSION
        flags = codec.HARD_TIMER if self._lease.hard else 0
        if machine.reset_cause() == machine.WDT_RESET:
            flags |= codec.BY_WATCHDOG
        identity = (machine.unique_id() + bytes(8))[:8]
        elements, sensor = len(pins.EARS), self._sensor.sensor
        fields = (codec.VERSION, self._boot, elements, sensor, flags, identity)
        self._say(codec.HELLO, *fields)

    def _arm(self, boot: int, on: int) -> None:
        if boot != self._boot or not self._talking:
            self._strange += 1
        elif on:
            self._lease.arm()
        else:
            self._lease.disarm(codec.WHY_TOLD)
        self._status()

    def _valves(self, boot: int, ping: int, left: int, right: int) -> None:
        """Only of this start, armed, in range, and computed from a ping that is still young."""
        if boot != self._boot or self._lease.state == codec.OFF:
            self._strange += 1
        elif max(abs(left), abs(right)) > codec.FULL:
            self._beyond += 1
        elif self._old(ping):
            self._stale += 1
        else:
            self._lease.renew(left, right)

    def _old(self, ping: int) -> bool:
        if (self._ranger.ping - ping) & 0xFFFF >= PINGS:
            return True
        return bool(ticks_diff(ticks_us(), self._fired[ping % PINGS]) > STALE_US)

    def _gate(self, near: int, far: int, period: int, used: int) -> None:
        if not self._ranger.gate(near, far, period * 10, used):
            self._beyond += 1

    def _sync(self, mark: int) -> None:
        read = ticks_us() % codec.TICKS
        self._tell(codec.SYNCED, read, mark)

    # What goes out

    def _tell_ping(self, ping) -> None:  # type: ignore[no-untyped-def]
        number, element, fired, flights = ping
        self._fired[number % PINGS] = fired
        four = (flights + [0] * codec.ECHOES)[: codec.ECHOES]
        self._tell(codec.PING, number, element, len(flights), fired % codec.TICKS, *four)

    def _inertial(self, now: int) -> None:
        words = self._sensor.read(now)
        if words is not None:
            self._batch.append((ticks_us(), words))
        late = bool(self._batch) and ticks_diff(now, self._batch[0][0]) > 50_000
        if len(self._batch) < codec.BATCH and not late:
            return
        first = self._batch[0][0]
        fields = []
        for at, raw in self._batch:
            fields.append(ticks_diff(at, first))
            fields.extend(raw)
        count = len(self._batch)
        fields += [0] * (8 * (codec.BATCH - count))
        self._batch = []
        self._tell(codec.INERTIAL, self._sensor.sensor, count, first % codec.TICKS, *fields)

    def _tell_inputs(self, now: int) -> None:
        bits = self._inputs.read()
        due = ticks_diff(now, self._input_at) >= 0
        if due:
            self._input_at = self._next(self._input_at, INPUTS_US, now)
        if due or bits != self._bits:
            self._bits = bits
            self._tell(codec.INPUTS, bits)

    def _status(self) -> None:
        self._state = self._lease.state
        counts = [sum(self._decoder.bad), self._decoder.lost, self._stale, self._strange]
        counts += [self._beyond, self._lease.offs, self._unsent]
        low = [count & 0xFFFF for count in counts]
        self._tell(codec.STATUS, self._state, self._lease.why, *low)

    def _tell(self, kind: int, *fields: int) -> None:
        """A frame that begins with the instant of its sending; silent until greeted."""
        if self._talking:
            self._say(kind, ticks_us() % codec.TICKS, *fields)

    def _say(self, kind: int, *fields: int | bytes) -> None:
        self._sequence = (self._sequence + 1) & 255
        if not self._wire.write(codec.pack(kind, self._sequence, *fields)):
            self._unsent += 1


def run() -> None:
    board = Board()
    while True:
        board.poll()
        machine.idle()  # until the next interrupt, at most a millisecond
