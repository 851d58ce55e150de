"""A full disk stops the recording and not the loop; it is told at once and not tried again.

The disk is /dev/full (Linux, full(4)): each write to it fails with ENOSPC.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from test_journal_making import HEADER, record

from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Listener
from firmware_py.live.recording import DISK_FULL, Recording

FULL = Path("/dev/full")
DEADLINE_S = 20.0

pytestmark = pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")


def test_a_listener_on_a_full_disk_says_so_by_its_exit_code(tmp_path: Path) -> None:
    ring = Ring.create(tick_hz=100, seconds=10)
    try:
        listener = Listener(ring, FULL, HEADER)
        listener._process.join(DEADLINE_S)
        assert not listener.alive
        assert listener.full
        assert not listener.stop(1.0)
        other = Listener(ring, tmp_path / "none" / "a.mcap", HEADER)  # a folder that is not there
        other._process.join(DEADLINE_S)
        assert not other.alive
        assert not other.full
    finally:
        ring.close()


def test_a_full_disk_is_told_once_and_nothing_is_tried_again(tmp_path: Path) -> None:
    ring = Ring.create(tick_hz=100, seconds=10)
    path = tmp_path / "run-1.mcap"
    path.symlink_to(FULL)
    try:
        recording = Recording(ring, path, HEADER)
        recording._journal._process.join(DEADLINE_S)
        writer = Writer(ring)
        assert recording.watch(0.0) == DISK_FULL
        assert recording.wrong == DISK_FULL
        assert recording.watch(1.0) == ""  # told once, and it stays on the screen
        assert recording.wrong == DISK_FULL
        assert writer.put(record(0))  # the loop goes on
        assert recording.deaths == 0
        assert [one.name for one in tmp_path.iterdir()] == ["run-1.mcap"]  # no further file
        assert not recording.close()
    finally:
        ring.close()
