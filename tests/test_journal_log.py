"""Logs: round trip, order of states, gaps, and every way in which a file can be spoilt."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from test_journal_making import HEADER, make_log, record, tick

from firmware_py.journal.header import Gap, Header
from firmware_py.journal.read import Log, LogError, Recorded, State, read_log
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import HEADER_EVERY_S, Pump, Store
from firmware_py.messages import SCHEMA, Mark, Mode, Nudge, Record, Side

TICKS = 450


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a log of 4.5 s: five chunks of records and one of the header."""
    path = tmp_path_factory.mktemp("log") / "whole.mcap"
    return make_log(path, [record(n) for n in range(TICKS)]).read_bytes()


def numbers(log: Log) -> list[int]:
    return [entry.number for entry in log if isinstance(entry, Recorded)]


def marks(data: bytes | bytearray) -> list[int]:
    """Where chunks lie, by their mark."""
    return [i for i in range(len(data)) if data.startswith(b"\x04\0\0\0zstd", i)]


def test_round_trip(tmp_path: Path) -> None:
    requests = {3: (Nudge(1, Side.LEFT, 0.001), Mark(2, "here"))}
    records = [record(n, requests.get(n, ())) for n in range(250)]
    log = read_log(make_log(tmp_path / "a.mcap", records))
    assert log.header == HEADER
    assert [e.record for e in log if isinstance(e, Recorded)] == records
    assert [e.tree for e in log if isinstance(e, State)] == [{"number": n} for n in (0, 100, 200)]
    assert log.lost == ()


def test_a_state_stands_right_after_its_record(tmp_path: Path) -> None:
    entries = list(read_log(make_log(tmp_path / "a.mcap", [record(n) for n in range(250)])))
    assert isinstance(entries[0], State)
    assert entries[0].number == -1
    for before, entry in pairwise(entries):
        if isinstance(entry, State):
            assert isinstance(before, Recorded)
            assert before.number == entry.number


def test_requests_and_mode_changes_are_listed_for_people(tmp_path: Path) -> None:
    records = [record(n) for n in range(5)]
    records[2] = record(2, (Nudge(7, Side.RIGHT, -0.002),))
    records[4] = Record(0.04, (), (), tick(4, mode=Mode.NEUTRAL))
    log = read_log(make_log(tmp_path / "a.mcap", records))
    start, nudge, stop = log.events()
    assert (start["kind"], start["mode"], start["tick"]) == ("mode", "auto", 0)
    assert (nudge["request"], nudge["end"], nudge["step_m"], nudge["tick"]) == (
        "nudge", "right", -0.002, 2,
    )  # fmt: skip
    assert (stop["mode"], stop["before"], stop["tick"]) == ("neutral", "auto", 4)


def test_the_same_records_give_the_same_bytes(tmp_path: Path, whole: bytes) -> None:
    again = make_log(tmp_path / "again.mcap", [record(n) for n in range(TICKS)])
    assert again.read_bytes() == whole


def test_other_tools_can_read_a_closed_log(tmp_path: Path, whole: bytes) -> None:
    """By mcap's own seeking reader, which knows nothing of ours."""
    path = tmp_path / "a.mcap"
    path.write_bytes(whole)
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        summary = reader.get_summary()
        topics = [channel.topic for _, channel, _ in reader.iter_messages()]
    assert summary is not None
    assert summary.statistics is not None
    assert topics.count("record") == TICKS
    assert topics.count("state") == 5
    assert summary.statistics.chunk_count == 6  # the header, then one a second


def test_the_header_holds_the_versions_and_what_else_is_given() -> None:
    header = Header(rig="", settings={}, started="now", notes={"seed": "3"})
    assert {"linehold", "python", "numpy", "msgspec", "mcap"} <= set(header.versions)
    assert header.schema == SCHEMA


def test_a_lap_is_a_counted_gap_in_the_log(tmp_path: Path) -> None:
    ring = Ring.local(tick_hz=10, seconds=1)
    writer, store = Writer(ring), Store(tmp_path / "a.mcap", HEADER)
    pump = Pump(ring, store)
    for n in range(4):
        writer.put(record(n))
    pump.step()
    for n in range(4, 30):
        writer.put(record(n))
    writer.put(record(30, pings=300))
    writer.put(record(31))
    pump.step()
    store.close()
    log = read_log(tmp_path / "a.mcap")
    gaps = [entry for entry in log if isinstance(entry, Gap)]
    assert gaps == [
        Gap(4, 22, "the listener was lapped"),
        Gap(30, 30, "too large for its slot"),
    ]
    assert numbers(log) == [0, 1, 2, 3, *range(23, 30), 31]
    assert log.lost == (
        "records 4 to 22 are missing (19): the listener was lapped",
        "record 30 is missing: too large for its slot",
    )


def test_a_state_in_a_lap_is_told_as_it_is(tmp_path: Path) -> None:
    """The state of the last lost record still opens the way for the next one."""
    ring = Ring.local(tick_hz=10, seconds=1)
    writer, store = Writer(ring), Store(tmp_path / "a.mcap", HEADER)
    for n in range(21):
        writer.put(record(n))
    writer.put_state({"after": 20})
    for n in range(21, 29):
        writer.put(record(n))
    Pump(ring, store).step()
    store.close()
    kinds = [type(entry) for entry in read_log(tmp_path / "a.mcap")]
    assert kinds == [Gap, Recorded, State, *[Recorded] * 8]


def test_cut_anywhere_all_whole_chunks_before_are_read(tmp_path: Path, whole: bytes) -> None:
    path = tmp_path / "cut.mcap"
    most = 0
    for end in [*range(0, len(whole), 997), len(whole) - 1]:
        path.write_bytes(whole[:end])
        try:
            log = read_log(path)
        except LogError:
            assert most == 0
            continue
        got = numbers(log)
        assert got == list(range(len(got)))
        assert len(got) >= most  # a longer piece never tells less
        assert log.lost != ()
        most = len(got)
    assert most == TICKS


@pytest.mark.parametrize("keep", [0.3, 0.5, 0.8])
def test_a_cut_loses_only_the_chunk_that_it_meets(
    tmp_path: Path, whole: bytes, keep: float
) -> None:
    path = tmp_path / "cut.mcap"
    path.write_bytes(whole[: int(len(whole) * keep)])
    log = read_log(path)
    got = numbers(log)
    assert len(got) % 100 == 0
    assert len(got) >= TICKS * keep - 130
    assert any("not closed" in words for words in log.lost)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(where=st.floats(0, 1, exclude_max=True), bit=st.integers(0, 7))
def test_a_flipped_bit_never_makes_a_wrong_record(
    tmp_path: Path, whole: bytes, where: float, bit: int
) -> None:
    spoilt = bytearray(whole)
    spoilt[int(where * len(whole))] ^= 1 << bit
    path = tmp_path / "flipped.mcap"
    path.write_bytes(spoilt)
    log = read_log(path)
    for entry in log:
        if isinstance(entry, Recorded):
            assert entry.record == record(entry.number)
    assert log.lost != ()
    assert len(numbers(log)) >= TICKS - 100  # one chunk at most


def test_every_byte_of_the_framing_may_flip(tmp_path: Path, whole: bytes) -> None:
    """The bytes at either end and round the first chunk's mark, one by one."""
    first = marks(whole)[0]
    places = [*range(8), *range(first - 40, first + 20), *range(len(whole) - 60, len(whole))]
    path = tmp_path / "flipped.mcap"
    for at in places:
        spoilt = bytearray(whole)
        spoilt[at] ^= 0x41
        path.write_bytes(spoilt)
        log = read_log(path)
        assert numbers(log) == list(range(TICKS)), at
        assert log.lost != (), at


def test_a_damaged_chunk_is_one_gap_and_is_told(tmp_path: Path, whole: bytes) -> None:
    spoilt = bytearray(whole)
    spoilt[marks(whole)[2] + 500] ^= 1
    path = tmp_path / "a.mcap"
    path.write_bytes(spoilt)
    log = read_log(path)
    gaps = [entry for entry in log if isinstance(entry, Gap)]
    assert [(gap.first, gap.last) for gap in gaps] == [(100, 199)]
    assert len(log.lost) == 2
    assert "its checksum is wrong" in log.lost[0]
    assert log.lost[1].startswith("records 100 to 199 are missing (100): ")


def test_a_log_whose_first_headers_are_lost_is_read_by_a_later_one(tmp_path: Path) -> None:
    seconds = HEADER_EVERY_S + 2
    records = [record(n) for n in range(0, seconds * 100, 50)]
    path = make_log(tmp_path / "a.mcap", records)
    spoilt = bytearray(path.read_bytes())
    for _, at in zip(range(2), marks(spoilt), strict=False):
        spoilt[at + 20] ^= 1
    path.write_bytes(spoilt)
    log = read_log(path)
    assert log.header == HEADER
    assert len(numbers(log)) == len(records) - 2
    assert len(log.lost) == 2  # neighbours in damage are told as one; and the gap


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"x", "not an MCAP file"),
        (b"some text, and more of it\n" * 400, "not an MCAP file"),
        (b"\x89MCAP0\r\n", "no whole header"),
        (b"\x89MCAP0\r\n" + bytes(1000), "no whole header"),
        (b"\x06" * 50 + b"\x04\0\0\0zstd", "not an MCAP file"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(
    tmp_path: Path, content: bytes, words: str
) -> None:
    path = tmp_path / "a.mcap"
    path.write_bytes(content)
    with pytest.raises(LogError, match=words) as caught:
        read_log(path)
    assert "\n" not in str(caught.value)


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot be opened: No such file"):
        read_log(tmp_path / "absent.mcap")
    with pytest.raises(LogError, match="cannot be opened: Is a directory"):
        read_log(tmp_path)


def test_a_log_of_another_schema_names_the_version_to_use(tmp_path: Path) -> None:
    header = Header(rig="", settings={}, started="", versions={"linehold": "9.1"}, schema=99)
    Store(tmp_path / "a.mcap", header).close()
    with pytest.raises(LogError, match=r"schema 99 .* use linehold 9\.1"):
        read_log(tmp_path / "a.mcap")


def test_a_record_of_odd_content_is_a_gap(tmp_path: Path) -> None:
    """A valid checksum over what is no Record: counted, told, and passed over."""
    store = Store(tmp_path / "a.mcap", HEADER)
    store.add_record(0, b"\x93\x01\x02\x03")
    store.close()
    log = read_log(tmp_path / "a.mcap")
    assert numbers(log) == []
    assert "cannot be decoded" in log.lost[0]
    assert [event["kind"] for event in log.events()] == ["unreadable"]


def test_the_settings_and_the_rig_stand_in_the_log_as_json(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.mcap", [record(0)])
    with path.open("rb") as file:
        first = next(iter(make_reader(file).iter_messages(topics=["header"])))
    assert json.loads(first[2].data)["rig"] == HEADER.rig
