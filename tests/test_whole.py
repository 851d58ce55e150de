"""Files that are written all or not at all; a disk that fills is a file size limit here."""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from report_made import make_log

from firmware_py.commands import cli
from firmware_py.whole import FRESH, made_whole, write_whole

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


@pytest.fixture(scope="module")
def run_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_log(tmp_path_factory.mktemp("log") / "run.mcap")


@pytest.mark.parametrize("words", [["export"], ["cut", "--to-s", "5"]])
def test_a_log_that_finds_no_room_leaves_no_file(
    words: list[str], run_log: Path, tmp_path: Path, small_files: None
) -> None:
    out = tmp_path / "new"
    done = CliRunner().invoke(cli, ["logs", *words, str(run_log), "-o", str(out)])
    assert done.exit_code == 2
    assert f"linehold logs {words[0]}: -o: {out}: File too large" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_plain_file_is_written_to_and_never_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with made_whole(pipe) as place:
        assert place == pipe
    assert pipe.is_fifo()
    assert not Path(f"{pipe}{FRESH}").exists()
