"""The ring: order, laps, torn slots, marks of what was too large, readers that do not hinder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from test_journal_making import record

from firmware_py.journal import ring as rings
from firmware_py.journal.memory import RingError
from firmware_py.journal.ring import Reader, Ring, Writer
from firmware_py.messages import Record

ROOT = Path(__file__).resolve().parent.parent
decode = msgspec.msgpack.Decoder(Record).decode


def small(slots: int = 8) -> Ring:
    return Ring.local(tick_hz=slots, seconds=1)


def slot_at(ring: Ring, number: int) -> int:
    return rings.HEAD_WORDS * rings.WORD + (number % ring.slots) * ring.slot_bytes


def test_records_come_out_in_order_and_once() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    for n in range(5):
        assert writer.put(record(n))
    batch = reader.poll(max_n=3)
    assert [decode(r) for r in batch.records] == [record(n) for n in range(3)]
    assert (batch.first, batch.lost, batch.why) == (0, 0, "")
    assert [decode(r).tick.seq for r in reader.poll().records] == [3, 4]
    assert reader.poll() == ([], 5, 0, "")


def test_a_lapped_reader_counts_the_lost_and_goes_on_at_the_oldest_whole_one() -> None:
    ring = small(8)
    writer, reader = Writer(ring), Reader(ring)
    for n in range(20):
        writer.put(record(n))
    batch = reader.poll()
    # Slot 12 is the one that the writer takes next, so 13 is the oldest that is safe.
    assert (batch.lost, batch.first, batch.why) == (13, 13, rings.LAPPED)
    assert [decode(r).tick.seq for r in batch.records] == list(range(13, 20))


@pytest.mark.parametrize("ahead", [7, 8, 9])
def test_the_edge_of_a_lap(ahead: int) -> None:
    ring = small(8)
    writer, reader = Writer(ring), Reader(ring)
    for n in range(ahead):
        writer.put(record(n))
    batch = reader.poll()
    assert batch.lost + len(batch.records) == ahead
    assert batch.lost == (0 if ahead <= 8 else 2)


def test_every_reader_has_its_own_place() -> None:
    ring = small()
    writer, first, second = Writer(ring), Reader(ring), Reader(ring)
    writer.put(record(0))
    assert len(first.poll().records) == 1
    writer.put(record(1))
    assert len(second.poll().records) == 2
    assert len(first.poll().records) == 1
    assert Reader(ring, ring.head).poll().records == []


def test_the_writer_never_waits_for_a_reader() -> None:
    """Ten laps with a reader that never reads, and with none."""
    ring = small(4)
    writer, stuck = Writer(ring), Reader(ring)
    assert all(writer.put(record(n)) for n in range(40))
    assert ring.head == 40
    assert stuck.number == 0


def test_a_record_too_large_leaves_a_mark_and_no_exception() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    put = [writer.put(record(0)), writer.put(record(1, pings=200)), writer.put(record(2))]
    assert put == [True, False, True]
    assert ring.dropped == 1
    assert [decode(r).tick.seq for r in reader.poll().records] == [0]
    batch = reader.poll()
    assert (batch.lost, batch.why) == (1, "too large for its slot")
    assert [decode(r).tick.seq for r in batch.records] == [2]


def test_a_record_that_cannot_be_encoded_leaves_a_mark_and_no_exception() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    assert not writer.put(Record(0.0, (object(),), (), record(0).tick))  # type: ignore[arg-type]
    batch = reader.poll()
    assert (batch.lost, batch.records, batch.why) == (1, [], "could not be encoded")


def test_the_largest_record_that_fits() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    room = ring.slot_bytes - rings.SLOT_HEAD
    filler = msgspec.msgpack.encode("x" * (room - 3))  # a str of this size has 3 bytes of head
    assert len(filler) == room
    assert writer.put(msgspec.Raw(filler))  # type: ignore[arg-type]
    assert not writer.put(msgspec.Raw(msgspec.msgpack.encode("x" * (room - 2))))  # type: ignore[arg-type]
    assert reader.poll().records == [filler]


@pytest.mark.parametrize("offset", [0, 1, 100, 400])
def test_a_torn_slot_is_never_read_as_a_record(offset: int) -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    for n in range(3):
        writer.put(record(n))
    ring.bytes[slot_at(ring, 1) + rings.SLOT_HEAD + offset] ^= 0x10
    assert len(reader.poll().records) == 1
    batch = reader.poll()
    assert (batch.lost, batch.why) == (1, rings.TORN)
    assert [decode(r).tick.seq for r in batch.records] == [2]


def test_the_newest_slot_may_still_be_on_its_way() -> None:
    """Seen from another core, the head can be there before the slot: wait, do not count."""
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    writer.put(record(0))
    at = slot_at(ring, 0) + rings.SLOT_HEAD
    ring.bytes[at] ^= 1
    assert reader.poll() == ([], 0, 0, "")
    ring.bytes[at] ^= 1
    assert len(reader.poll().records) == 1


def test_a_slot_in_writing_a_lap_later_is_a_lap() -> None:
    ring = small(4)
    writer, reader = Writer(ring), Reader(ring)
    for n in range(4):
        writer.put(record(n))
    ring.words[slot_at(ring, 0) >> 3] = rings.WRITING  # the writer has begun record 4
    batch = reader.poll()
    assert (batch.lost, batch.why, len(batch.records)) == (1, rings.LAPPED, 3)


def test_an_old_payload_under_a_new_number_is_seen() -> None:
    """The checksum is seeded with the number: a slot of the lap before does not pass."""
    ring = small(4)
    writer, reader = Writer(ring), Reader(ring, 4)
    for n in range(4):
        writer.put(record(n))
    ring.words[slot_at(ring, 4) >> 3] = 4
    ring.words[rings.HEAD_AT] = 5
    assert reader.poll().records == []


def test_states_come_newest_first_and_once() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    assert reader.poll_state() is None
    writer.put_state({"a": 1})
    assert reader.poll_state() == (-1, msgspec.msgpack.encode({"a": 1}))
    writer.put(record(0))
    for value in range(3):
        writer.put_state({"a": value})
    assert reader.poll_state() == (0, msgspec.msgpack.encode({"a": 2}))
    assert reader.poll_state() is None


def test_a_torn_or_too_large_state_is_not_read() -> None:
    ring = small()
    writer, reader = Writer(ring), Reader(ring)
    assert not writer.put_state("x" * rings.STATE_BYTES)
    assert not writer.put_state(object())
    assert ring.dropped == 2
    assert reader.poll_state() is None
    writer.put_state([1, 2, 3])
    ring.bytes[ring.states_at + ring.state_bytes + rings.STATE_HEAD + 1] ^= 1
    assert reader.poll_state() is None


def test_shared_memory_by_name() -> None:
    ring = Ring.create(tick_hz=10, seconds=1)
    seen = Ring.attach(ring.name)
    Writer(ring).put(record(7))
    assert decode(Reader(seen).poll().records[0]) == record(7)
    seen.close()
    ring.close()
    with pytest.raises(RingError, match="is the controller running"):
        Ring.attach(seen.name)


ATTACH = """
import sys
from firmware_py.journal.ring import Reader, Ring
ring = Ring.attach(sys.argv[1])
print(len(Reader(ring).poll().records))
ring.close()
"""


def test_a_stranger_that_attaches_and_ends_does_not_remove_the_ring() -> None:
    """Before Python 3.13 an attached block would be unlinked as if it were the stranger's."""
    ring = Ring.create(tick_hz=10, seconds=1)
    Writer(ring).put(record(0))
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", ATTACH, ring.name],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
        assert (done.stdout, done.stderr) == ("1\n", "")
    ring.close()


def test_words_for_a_ring_that_cannot_be() -> None:
    with pytest.raises(RingError, match="at least 2"):
        Ring.local(tick_hz=1, seconds=1)
    with pytest.raises(RingError, match=r"needs .* MB of shared memory"):
        Ring.create(tick_hz=1e9)
    other = rings.Memory.create(4096)
    with pytest.raises(RingError, match="is not a journal ring"):
        Ring.attach(other.name)
    other.close()
