"""Files that are written all or not at all; a disk that fills is a file size limit here."""

from __future__ import annotations

import resource
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from firmware_py.whole import write_whole

LIMIT = 4096  # bytes; setrlimit(2): a longer write fails with EFBIG


@pytest.fixture
def small_files() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    signal.signal(signal.SIGXFSZ, before)


@pytest.mark.usefixtures("small_files")
def test_what_stood_there_stays_when_the_second_file_finds_no_room(tmp_path: Path) -> None:
    write_whole(tmp_path, {"page": b"old", "table": b"old too"})
    with pytest.raises(OSError, match="too large"):
        write_whole(tmp_path, {"page": b"new", "table": b"x" * 2 * LIMIT})
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        "page": b"old", "table": b"old too",
    }  # fmt: skip


def test_both_are_written(tmp_path: Path) -> None:
    paths = write_whole(tmp_path, {"page": b"a", "table": b"b"})
    assert [path.read_bytes() for path in paths] == [b"a", b"b"]
    assert len(list(tmp_path.iterdir())) == 2
