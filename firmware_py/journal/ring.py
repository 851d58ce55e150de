"""The journal's ring: 60 s of records in memory that the loop writes and never waits for.

One writer, any number of readers, no locks. A slot is written between two stores of its number
(first "in writing", last the number itself) and carries a CRC-32 seeded with that number: a
reader that meets half a slot, or another lap's, sees it. Beside the slots lie two larger ones
for the controller's state. Readers never write: a stuck one costs the loop nothing.

Layout, in native 64-bit words: HEAD_WORDS of head; the slots (number, length | crc << 32,
payload); two state slots (count, records before it, length | crc << 32, spare, payload).
"""

from __future__ import annotations

import zlib
from typing import NamedTuple

import msgspec

from firmware_py.journal.memory import Memory, RingError
from firmware_py.messages import Record

RING_S = 60.0  # a listener may stall so long before it loses anything
SLOT_BYTES = 6 * 1024  # a usual record has 0.8 KB; 6 KiB holds a stall of 0.25 s at 200 Hz inertial
STATE_BYTES = 64 * 1024  # a controller's state has a few KB

MAGIC = 0x3130_474E_4952_484C  # "LHRING01"
HEAD_WORDS = 16
MAGIC_AT, SLOTS_AT, SLOT_BYTES_AT, STATE_BYTES_AT, HEAD_AT, DROPPED_AT, STATES_AT = range(7)
WRITING = 2**64 - 1  # the number of a slot while it is being written
WORD = 8
SLOT_HEAD = 2 * WORD
STATE_HEAD = 4 * WORD
LOW32 = 0xFFFFFFFF
RETRIES = 3  # reads of a slot that looks torn although later ones are whole

# Why a record is missing; the numbers stand in the ring, the words in the log.
TOO_LARGE, NOT_ENCODABLE = 1, 2
WHYS = {TOO_LARGE: "too large for its slot", NOT_ENCODABLE: "could not be encoded"}
LAPPED = "the listener was lapped"
TORN = "its slot was damaged"


class Ring:
    """The memory and its measures. Make one by create, attach or local."""

    def __init__(self, memory: Memory, slots: int, slot_bytes: int, state_bytes: int) -> None:
        self.memory = memory
        self.slots, self.slot_bytes, self.state_bytes = slots, slot_bytes, state_bytes
        self.bytes = memory.view
        self.words = memory.view.cast("Q")
        self.states_at = HEAD_WORDS * WORD + slots * slot_bytes

    @classmethod
    def create(cls, tick_hz: float, seconds: float = RING_S, name: str | None = None) -> Ring:
        """A new ring in shared memory; its name is `ring.name`, None lets the system choose."""
        slots = _slots(tick_hz, seconds)
        return cls._fresh(Memory.create(_size(slots), name), slots)

    @classmethod
    def local(cls, tick_hz: float, seconds: float = RING_S) -> Ring:
        """The same in this process alone, for trials."""
        slots = _slots(tick_hz, seconds)
        return cls._fresh(Memory.local(_size(slots)), slots)

    @classmethod
    def attach(cls, name: str) -> Ring:
        """A ring that another process has made."""
        memory = Memory.attach(name)
        with memory.view.cast("Q") as words:
            magic, slots, slot_bytes, state_bytes = words[:4].tolist()
        if magic != MAGIC or len(memory.view) < _size(slots, slot_bytes, state_bytes):
            memory.close()
            raise RingError(f"shared memory '{name}' is not a journal ring of this version")
        return cls(memory, slots, slot_bytes, state_bytes)

    @classmethod
    def _fresh(cls, memory: Memory, slots: int) -> Ring:
        ring = cls(memory, slots, SLOT_BYTES, STATE_BYTES)
        ring.words[SLOTS_AT], ring.words[SLOT_BYTES_AT] = slots, SLOT_BYTES
        ring.words[STATE_BYTES_AT] = STATE_BYTES
        ring.words[MAGIC_AT] = MAGIC
        return ring

    @property
    def name(self) -> str:
        return self.memory.name

    @property
    def head(self) -> int:
        """How many records were written: the number that the next one gets."""
        return self.words[HEAD_AT]

    @property
    def dropped(self) -> int:
        """Records and states that could not be written for their size or content."""
        return self.words[DROPPED_AT]

    def close(self) -> None:
        """Let go of the memory; whoever created it also removes it. Close the ring last."""
        self.words.release()
        self.memory.close()


def _slots(tick_hz: float, seconds: float) -> int:
    slots = round(tick_hz * seconds)
    if slots < 2:
        raise RingError(f"a ring of {seconds} s at {tick_hz} Hz has {slots} slots; at least 2")
    return slots


def _size(slots: int, slot_bytes: int = SLOT_BYTES, state_bytes: int = STATE_BYTES) -> int:
    return HEAD_WORDS * WORD + slots * slot_bytes + 2 * state_bytes


class Writer:
    """The loop's side. No call waits, and none raises for what a record holds."""

    def __init__(self, ring: Ring) -> None:
        self._ring = ring
        self._words, self._bytes = ring.words, ring.bytes
        self._slots, self._slot_bytes = ring.slots, ring.slot_bytes
        self._head, self._states = ring.head, ring.words[STATES_AT]
        self._encoder = msgspec.msgpack.Encoder()
        self._buffer = bytearray(ring.slot_bytes)

    def put(self, record: Record) -> bool:
        """Write one slot; False where only a mark of the loss could be written."""
        number, words, buffer = self._head, self._words, self._buffer
        try:
            self._encoder.encode_into(record, buffer)
        except (TypeError, ValueError, OverflowError, msgspec.MsgspecError):
            return self._put_mark(NOT_ENCODABLE)
        size = len(buffer)
        if size > self._slot_bytes - SLOT_HEAD:
            return self._put_mark(TOO_LARGE)
        at = HEAD_WORDS * WORD + (number % self._slots) * self._slot_bytes
        words[at >> 3] = WRITING
        self._bytes[at + SLOT_HEAD : at + SLOT_HEAD + size] = buffer
        words[(at >> 3) + 1] = size | zlib.crc32(buffer, number & LOW32) << 32
        words[at >> 3] = number
        self._head = words[HEAD_AT] = number + 1
        return True

    def _put_mark(self, reason: int) -> bool:
        """A slot of length 0 whose crc is the reason."""
        number, words = self._head, self._words
        at = (HEAD_WORDS * WORD + (number % self._slots) * self._slot_bytes) >> 3
        words[at] = WRITING
        words[at + 1] = reason << 32
        words[at] = number
        words[DROPPED_AT] += 1
        self._head = words[HEAD_AT] = number + 1
        return False

    def put_state(self, tree: object) -> bool:
        """Write the controller's state as it is after the last record (or before the first)."""
        try:
            data = self._encoder.encode(tree)
        except (TypeError, ValueError, OverflowError, msgspec.MsgspecError):
            data = b""
        if not 0 < len(data) <= self._ring.state_bytes - STATE_HEAD:
            self._words[DROPPED_AT] += 1
            return False
        count = self._states + 1
        at = self._ring.states_at + (count % 2) * self._ring.state_bytes
        word = at >> 3
        self._words[word] = WRITING
        self._bytes[at + STATE_HEAD : at + STATE_HEAD + len(data)] = data
        self._words[word + 1] = self._head
        self._words[word + 2] = len(data) | _state_crc(data, count, self._head) << 32
        self._words[word] = count
        self._states = self._words[STATES_AT] = count
        return True


def _state_crc(data: bytes, count: int, head: int) -> int:
    return zlib.crc32(data, (count * 31 + head) & LOW32)


class Batch(NamedTuple):
    """Records in a row, the first of number `first`, and how many are missing right before."""

    records: list[bytes]
    first: int
    lost: int
    why: str


class Reader:
    """A listener's side; `number` is the record that it reads next."""

    def __init__(self, ring: Ring, number: int = 0) -> None:
        self._ring = ring
        self._words, self._bytes = ring.words, ring.bytes
        self._states = 0
        self.number = number

    def poll(self, max_n: int = 512, upto: int | None = None) -> Batch:
        """What is new, without waiting: at most max_n records, all of numbers below upto."""
        head = self._ring.head if upto is None else upto
        start, why = self.number, ""
        records: list[bytes] = []
        while len(records) < max_n and self.number < head:
            got = self._read(self.number)
            if isinstance(got, bytes):
                records.append(got)
                self.number += 1
                continue
            if not got or records or (why and got != why):
                break
            why = got
            oldest = self._ring.head - self._ring.slots + 1 if got == LAPPED else 0
            self.number = max(self.number + 1, oldest)
        first = self.number - len(records)
        return Batch(records, first, first - start, why)

    def _read(self, number: int) -> bytes | str:
        """One record; or why it is gone; or "" when it is not whole yet."""
        for _ in range(RETRIES):
            got = self._try(number)
            if got != TORN:
                return got
        # The newest slot may still be on its way between two cores; an older one is bad.
        return TORN if number < self._ring.head - 1 else ""

    def _try(self, number: int) -> bytes | str:
        at = HEAD_WORDS * WORD + (number % self._ring.slots) * self._ring.slot_bytes
        word = at >> 3
        found = self._words[word]
        if found != number:
            return self._missed(number)
        measure = self._words[word + 1]
        size = min(measure & LOW32, self._ring.slot_bytes - SLOT_HEAD)
        data = bytes(self._bytes[at + SLOT_HEAD : at + SLOT_HEAD + size])
        if self._words[word] != number:
            return self._missed(number)
        if size == 0:
            return WHYS.get(measure >> 32, TORN)
        return data if zlib.crc32(data, number & LOW32) == measure >> 32 else TORN

    def _missed(self, number: int) -> str:
        """The slot is another's: a lap behind, or not yet seen from this core."""
        return LAPPED if self._ring.head - number >= self._ring.slots else TORN

    def poll_state(self) -> tuple[int, bytes] | None:
        """The newest state, once, with the number of the record that it follows (-1: none)."""
        count = self._words[STATES_AT]
        if count == self._states:
            return None
        at = self._ring.states_at + (count % 2) * self._ring.state_bytes
        word = at >> 3
        head, measure = self._words[word + 1], self._words[word + 2]
        size = min(measure & LOW32, self._ring.state_bytes - STATE_HEAD)
        data = bytes(self._bytes[at + STATE_HEAD : at + STATE_HEAD + size])
        if self._words[word] != count or _state_crc(data, count, head) != measure >> 32:
            return None  # being written anew: the next poll finds it
        self._states = count
        return head - 1, data
