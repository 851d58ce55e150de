"""Reads a log as far as it is whole, and says what was lost."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import Any

import msgspec

from drivers.samples import NO_MESSAGE, AnySample
from firmware_py.errors import LineholdError
from firmware_py.journal import header as heads
from firmware_py.journal.chunks import (
    FOOTER,
    FOOTER_BYTES,
    MAGIC,
    Chunk,
    Damage,
    Message,
    check_ends,
    find_chunks,
    messages,
)
from firmware_py.journal.header import FORMAT, Gap, Header
from firmware_py.messages import SCHEMA, AnyRequest, Record, Tick

IN_FILE = "they stood in a damaged or lost part of the file"
UNREADABLE = "the record cannot be decoded"
SECOND = "another log follows in the same file"


class LogError(LineholdError, ValueError):
    """A file of which nothing can be read as a log."""


class _Raw(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A Record whose tick stays the bytes that were written."""

    time_s: float
    samples: tuple[AnySample, ...]
    requests: tuple[AnyRequest, ...]
    tick: msgspec.Raw


class Recorded(msgspec.Struct, frozen=True):
    """One record: its number, what the controller was given, and its tick's very bytes."""

    number: int
    time_s: float
    samples: tuple[AnySample, ...]
    requests: tuple[AnyRequest, ...]
    tick_bytes: bytes

    @property
    def tick(self) -> Tick:
        return msgspec.msgpack.decode(self.tick_bytes, type=Tick)

    @property
    def record(self) -> Record:
        return Record(self.time_s, self.samples, self.requests, self.tick)


class State(msgspec.Struct, frozen=True):
    """The controller's state right after record `number` (-1: before the first)."""

    number: int
    tree: Any


Entry = Recorded | State | Gap


class Log:
    """A log, opened. Iterate it, as often as you like; `lost` is known after a whole pass."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.done = 0.0  # share of the file that the present pass has read
        self._decoder = msgspec.msgpack.Decoder(_Raw)
        self._state = msgspec.msgpack.Decoder(tuple[int, Any])
        self._lost: tuple[str, ...] | None = None
        self._next = 0
        self.second = ""  # after a pass: says so where another log follows in the same file
        self.header = self._find_header()

    @property
    def lost(self) -> tuple[str, ...]:
        """A sentence for each thing that is missing; none for a whole log."""
        if self._lost is None:
            for _ in self:
                pass
        return self._lost or ()

    def __iter__(self) -> Iterator[Entry]:
        lost: list[str] = []
        whole = True
        self._next, self.second = 0, ""
        with self._open() as data:
            summary = _summary_at(data)
            for chunk in find_chunks(data):
                if chunk.start >= summary:
                    break
                self.done = chunk.start / len(data)
                if self._starts_anew(chunk):
                    start = max(data.rfind(MAGIC, len(MAGIC), chunk.start), 0) or chunk.start
                    self.second = f"{SECOND} from byte {start} on; it was not read"
                    lost.append(self.second)
                    break
                if isinstance(chunk, Damage):
                    lost.append(f"the chunk at byte {chunk.start} is lost: {chunk.words}")
                    whole = False
                    continue
                for entry in self._entries(chunk):
                    if isinstance(entry, Gap):
                        lost.append(entry.words())
                        whole = whole and entry.why != IN_FILE
                    yield entry
            if not self.second and (words := check_ends(data, whole)):
                lost.append(words)
        self.done = 1.0
        self._lost = tuple(lost)

    def events(self) -> Iterator[dict[str, Any]]:
        """The mode changes and requests, in order, each with the tick that applied it."""
        with self._open() as data:
            for chunk in find_chunks(data):
                for message in _messages(chunk):
                    if message.channel == heads.EVENTS:
                        yield msgspec.json.decode(message.data)

    def _open(self) -> mmap:
        try:
            with self.path.open("rb") as file:
                return mmap(file.fileno(), 0, access=ACCESS_READ)
        except OSError as error:
            raise LogError(f"{self.path} cannot be opened: {error.strerror or error}") from error
        except ValueError:
            raise LogError(f"{self.path} is empty: no log was stored in it") from None

    def _find_header(self) -> Header:
        with self._open() as data:
            for chunk in find_chunks(data):
                for message in _messages(chunk):
                    if message.channel == heads.HEADER:
                        return self._checked(message.data)
            if check_ends(data).startswith("the first bytes"):
                raise LogError(f"{self.path} is not a Linehold log: not an MCAP file")
        raise LogError(f"{self.path} holds no whole header: not a Linehold log, or cut too early")

    def _checked(self, data: bytes) -> Header:
        try:
            header = msgspec.json.decode(data, type=Header)
        except NO_MESSAGE as error:
            raise LogError(f"{self.path} is not a Linehold log: header {error}") from None
        if (header.schema, header.format) != (SCHEMA, FORMAT):
            raise LogError(
                f"{self.path} has schema {header.schema} in format {header.format}, this program "
                f"reads {SCHEMA} in {FORMAT}: use linehold {header.versions.get('linehold', '?')}"
            )
        return header

    def _entries(self, chunk: Chunk) -> Iterator[Entry]:
        for message in _messages(chunk):
            if message.channel == heads.RECORD:
                yield from self._record(message)
            elif message.channel == heads.GAP:
                gap = msgspec.json.decode(message.data, type=Gap)
                yield from self._missing_before(gap.first)
                self._next = gap.last + 1
                yield gap
            elif message.channel == heads.STATE:
                number, tree = self._state.decode(message.data)
                yield from self._missing_before(number + 1)
                yield State(number, tree)

    def _starts_anew(self, chunk: Chunk | Damage) -> bool:
        """Records count up in one log: a number below the last one is of another."""
        numbers = [m.number for m in _messages(chunk) if m.channel == heads.RECORD]
        return bool(numbers) and numbers[0] < self._next

    def _record(self, message: Message) -> Iterator[Entry]:
        number = message.number
        yield from self._missing_before(number)
        self._next = number + 1
        try:
            raw = self._decoder.decode(message.data)
        except NO_MESSAGE as error:
            yield Gap(number, number, f"{UNREADABLE}: {error}")
        else:
            tick = bytes(raw.tick)
            yield Recorded(number, raw.time_s, raw.samples, raw.requests, tick)

    def _missing_before(self, number: int) -> Iterator[Gap]:
        if number > self._next:
            yield Gap(self._next, number - 1, IN_FILE)
            self._next = number


def _summary_at(data: mmap) -> int:
    """Where a closed log's summary begins; the file's end for any other.

    The summary names the compression of each chunk, which now and then looks like a chunk itself.
    """
    at = len(data) - len(MAGIC) - FOOTER.size
    if at < 0:
        return len(data)
    _, length, summary, _, crc = FOOTER.unpack_from(data, at)
    sound = length == FOOTER_BYTES and len(MAGIC) < summary <= at
    sound = sound and crc == zlib.crc32(data[summary : at + FOOTER.size - 4])
    return int(summary) if sound else len(data)


def _messages(chunk: Chunk | Damage) -> Iterator[Message]:
    """Messages of a whole chunk; a foreign chunk's odd content ends it, for it is none of ours."""
    if isinstance(chunk, Chunk):
        try:
            yield from messages(chunk.content)
        except struct.error:
            return


def read_log(path: str | Path) -> Log:
    """Open a log. Raises LogError, one sentence, when nothing of it can be read."""
    return Log(Path(path))
