"""The listener: what the ring holds is stored as MCAP, in chunks closed each second.

A state stands in the file right before the record that follows it. The loop starts the listener
as a process of its own (`Listener`); a trial calls `Pump.step` instead.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import math
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import msgspec
from mcap.writer import CompressionType, Writer

from firmware_py.journal import header as heads
from firmware_py.journal.events import Events
from firmware_py.journal.header import Gap, Header
from firmware_py.journal.ring import Batch, Reader, Ring

POLL_S = 0.05  # well under the second after which a chunk is closed
TERMINALS = (signal.SIGINT, signal.SIGHUP)  # what a terminal sends to all that run in it
GRACE_S = 1.5  # s that a listener outlives whoever started it
IDLE_S = 1.0  # without news for so long, what is in hand is stored too
HEADER_EVERY_S = 60  # the header again: a log whose start is damaged can still be read
CHUNK_MAX = 16 * 1024 * 1024  # bytes; by time a chunk has 0.1 MB
NO_ROOM = {errno.ENOSPC, errno.EDQUOT}  # the disk, or the owner's share of it, is full
FULL = 3  # exit code of a listener that had no room left; 1: any other failure
LIBRARY = "linehold"  # the writer's name in the file; versions stand in the header


class Store:
    """One log file. With sync, each closed chunk is on the disk before the next begins."""

    def __init__(self, path: Path, header: Header, sync: bool = False) -> None:
        self._file = path.open("wb")
        with contextlib.suppress(OSError):  # so that nobody thins it out; not all disks have locks
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self._sync = sync
        self._header = msgspec.json.encode(header)
        self._events = Events()
        self._time_ns = 0
        self._second = self._header_due = -1
        self._open_chunk = False
        self._state: tuple[int, bytes] | None = None
        self._writer = Writer(
            self._file, CHUNK_MAX, CompressionType.ZSTD, enable_crcs=True, enable_data_crcs=True
        )
        self._writer.start(profile=LIBRARY, library=LIBRARY)
        self._channels()
        self._add(heads.HEADER, self._header)
        self.flush()

    def _channels(self) -> None:
        for channel, topic in enumerate(heads.TOPICS, start=1):
            encoding = "msgpack" if channel in heads.IN_MSGPACK else "json"
            schema = self._writer.register_schema(f"linehold.{topic}", "", b"")
            got = self._writer.register_channel(topic, encoding, schema)
            if got != channel:
                raise RuntimeError(f"mcap gave channel {got} to '{topic}', expected {channel}")

    def _add(self, channel: int, data: bytes, number: int = 0) -> None:
        self._open_chunk = True
        self._writer.add_message(channel, self._time_ns, data, self._time_ns, number & 0xFFFFFFFF)

    def add_record(self, number: int, data: bytes) -> None:
        """Store a record as it is; a new second of its time closes the chunk before it."""
        time_s = self._events.look(data)
        if math.isfinite(time_s) and time_s >= 0:
            self._time_ns = int(time_s * 1e9)
        second = self._time_ns // 1_000_000_000
        if second != self._second:
            self.flush()
            self._repeat_header(second)
            self._second = second
        self._put_state()
        self._add(heads.RECORD, data, number)
        for event in self._events.take():
            self._add(heads.EVENTS, event, number)

    def _repeat_header(self, second: int) -> None:
        """With the first record, each minute after, and when the clock went back."""
        if second >= self._header_due or second < self._second:
            self._add(heads.HEADER, self._header)
            self._header_due = second + HEADER_EVERY_S

    def add_gap(self, gap: Gap) -> None:
        self._put_state()
        self._add(heads.GAP, msgspec.json.encode(gap), gap.first)

    def add_state(self, number: int, data: bytes) -> None:
        """Store the state that follows record `number`; -1: before the first.

        It waits for what comes next: a state is of use to the records after it, so it stands in
        their chunk and not in the one before, which may be lost.
        """
        self._put_state()
        self._state = number, data

    def _put_state(self) -> None:
        if self._state is not None:
            (number, data), self._state = self._state, None
            whole = msgspec.msgpack.encode((number, msgspec.Raw(data)))
            self._add(heads.STATE, whole, max(number, 0))

    def flush(self) -> None:
        """Close the chunk: what came so far survives a kill, with sync also a power cut."""
        if self._open_chunk:
            self._writer.flush()  # type: ignore[no-untyped-call]
            self._open_chunk = False
            if self._sync:
                os.fsync(self._file.fileno())

    def close(self) -> None:
        """Store what is in hand; the file is closed on an error too."""
        try:
            self._put_state()
            self._writer.finish()  # type: ignore[no-untyped-call]
            self._file.flush()
            if self._sync:
                os.fsync(self._file.fileno())
        finally:
            self._file.close()


class Pump:
    """Carries what is new from a ring to a store, in the order in which it was written."""

    def __init__(self, ring: Ring, store: Store) -> None:
        self._ring, self._store = ring, store
        self._reader = Reader(ring)
        self._state: tuple[int, bytes] | None = None  # read, and not yet stored

    def step(self) -> int:
        """Store all that the ring has now; the number of records stored. Never waits."""
        # The head first: a state of one of these records can then no longer come late.
        upto = self._ring.head
        self._state = self._reader.poll_state() or self._state
        done = 0
        while self._reader.number < upto:
            self._store_state()
            batch = self._reader.poll(upto=upto)
            if not batch.records and not batch.lost:
                break
            self._store_batch(batch)
            done += len(batch.records)
        self._store_state()
        return done

    def _store_batch(self, batch: Batch) -> None:
        if batch.lost:
            self._store.add_gap(Gap(batch.first - batch.lost, batch.first - 1, batch.why))
        for number, data in enumerate(batch.records, start=batch.first):
            if self._state is not None and self._state[0] < number:
                self._put_state(self._state)
            self._store.add_record(number, data)

    def _store_state(self) -> None:
        if self._state is not None and self._state[0] < self._reader.number:
            self._put_state(self._state)

    def _put_state(self, state: tuple[int, bytes]) -> None:
        self._store.add_state(*state)
        self._state = None


def run_listener(ring_name: str, path: str, header: Header, stop: Connection) -> None:
    """Main function of the listener's process: runs until `stop` says or hears its end.

    A pipe, not an Event: setting an Event waits for ever for a waiter that was killed.
    """
    for number in TERMINALS:  # who started it says stop
        signal.signal(number, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, TERMINALS)
    told: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: told.append(number))
    _step_down()
    loop = multiprocessing.parent_process()
    parent = os.getppid() if loop is None else loop.pid

    def go_on() -> bool:
        return not (told or stop.poll(POLL_S))

    def orphan() -> bool:
        time.sleep(POLL_S)  # a process that was killed closes its pipes before it is gone
        return not told and os.getppid() != parent

    try:
        ring = Ring.attach(ring_name)
        try:
            _listen(ring, Store(Path(path), header, sync=True), go_on, orphan)
        finally:
            ring.close()
    except OSError as error:
        print(f"the journal stopped: {error}; the controller runs on without a log",
              file=sys.stderr)  # fmt: skip
        sys.exit(FULL if error.errno in NO_ROOM else 1)


def _listen(
    ring: Ring, store: Store, go_on: Callable[[], bool], orphan: Callable[[], bool]
) -> None:
    pump = Pump(ring, store)
    idle = 0.0
    while go_on():
        idle = 0.0 if pump.step() else idle + POLL_S
        if idle >= IDLE_S:
            store.flush()
    if orphan():  # the loop now ends too, and its last ticks are to be had
        time.sleep(GRACE_S)
    pump.step()
    store.close()


def _step_down() -> None:
    """Never compete with the loop, whose real-time class a child would inherit."""
    with contextlib.suppress(AttributeError, OSError):  # absent, or forbidden, on some systems
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


class Listener:
    """The listener's process, as the loop holds it."""

    def __init__(self, ring: Ring, path: Path, header: Header) -> None:
        spawn = multiprocessing.get_context("spawn")
        hear, self._stop = spawn.Pipe(duplex=False)
        self._process = spawn.Process(
            target=run_listener,
            args=(ring.name, str(path), header, hear),
            name="linehold-journal",
            daemon=True,
        )
        # blocked until it ignores them itself: a Ctrl-C while it comes up must not end it
        before = signal.pthread_sigmask(signal.SIG_BLOCK, TERMINALS)
        try:
            self._process.start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
        hear.close()

    @property
    def alive(self) -> bool:
        return self._process.is_alive()

    @property
    def pid(self) -> int | None:
        return self._process.pid

    @property
    def full(self) -> bool:
        """It has ended because the disk is full: another one would fare no better."""
        return self._process.exitcode == FULL

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Store the rest and end; False when it did not end in time or had failed."""
        self._stop.close()
        self._process.join(timeout_s)
        if self._process.is_alive():  # frozen: it must not keep us
            self._process.kill()
            self._process.join(timeout_s)
        return self._process.exitcode == 0
