"""What follows a log in its file: its own summary, and now and then another log."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest
from test_journal_log import numbers
from test_journal_making import make_log, record

from firmware_py.journal.chunks import CHUNK_HEAD, FOOTER, MAGIC, MARK
from firmware_py.journal.read import read_log


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a closed log of 2.5 s."""
    path = tmp_path_factory.mktemp("log") / "whole.mcap"
    return make_log(path, [record(n) for n in range(250)]).read_bytes()


def test_the_summary_of_a_closed_log_is_not_taken_for_a_chunk(tmp_path: Path, whole: bytes) -> None:
    """The index names the compression as a chunk does; by chance a 6 stands before it."""
    data = bytearray(whole)
    at = len(data) - len(MAGIC) - FOOTER.size
    summary = FOOTER.unpack_from(data, at)[2]
    mark = data.find(MARK, summary)
    assert mark > 0
    data[mark - CHUNK_HEAD.size] = 6
    end = at + FOOTER.size - 4
    struct.pack_into("<I", data, end, zlib.crc32(data[summary:end]))
    (tmp_path / "a.mcap").write_bytes(data)
    assert read_log(tmp_path / "a.mcap").lost == ()


def test_two_logs_in_one_file_are_read_up_to_the_second(tmp_path: Path, whole: bytes) -> None:
    (tmp_path / "one.mcap").write_bytes(whole)
    (tmp_path / "two.mcap").write_bytes(whole + whole)
    log = read_log(tmp_path / "two.mcap")
    assert numbers(log) == numbers(read_log(tmp_path / "one.mcap"))
    [told] = log.lost
    assert told == log.second
    assert told.startswith(f"another log follows in the same file from byte {len(whole)} on; ")
