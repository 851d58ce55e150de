"""The recording of a run: its file, the journal's process, and what to do when that fails."""

from __future__ import annotations

import datetime
import os
from contextlib import suppress
from pathlib import Path

from firmware_py.journal.header import Header
from firmware_py.journal.ring import Ring
from firmware_py.journal.store import Listener
from firmware_py.live.host import LOG_SPACE, disk_free

AGAIN = 3  # times that a journal which died is started anew
STALLED_S = 5.0  # s without a byte, after which the recording is said to stand still
STOP_S = 10.0  # for the journal to store the rest
STOPPED = "The recording has stopped"
DISK_FULL = f"{STOPPED}: the disk is full. The run goes on without; what came before is kept."
GIVEN_UP = f"{STOPPED}; the run goes on without."


def new_recording(folder: Path) -> Path:
    """A file of its own in the folder, made now: what cannot be recorded must not begin."""
    folder.mkdir(parents=True, exist_ok=True)
    stamp = datetime.datetime.now().strftime("run-%Y%m%d-%H%M%S")
    for ending in ("", *(f"-{n}" for n in range(2, 100))):
        path = folder / f"{stamp}{ending}.mcap"
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
        except FileExistsError:
            continue
        return path
    raise FileExistsError(f"{folder} already holds 99 recordings of this second")


class Recording:
    """`watch` now and then; `wrong` says what is wrong with the recording now, '' for nothing.

    The ring holds the last minute: a journal that died is started anew on a further file, and
    what its dead predecessor had not stored is in the second file's first minute. A full disk
    ends the recording: nothing is tried again, and the run goes on.
    """

    def __init__(self, ring: Ring, path: Path, header: Header) -> None:
        self._ring, self._header = ring, header
        self.paths = [path]
        self._journal = Listener(ring, path, header)
        self._size = 0
        self._grown_s: float | None = None
        self.wrong = ""
        self.deaths = 0

    @property
    def pid(self) -> int | None:
        return self._journal.pid

    @property
    def bytes(self) -> int:
        """Stored so far, in all files."""
        total = 0
        for path in self.paths:
            with suppress(OSError):
                total += path.stat().st_size
        return total

    @property
    def dropped(self) -> int:
        """Records that were too large for the ring."""
        return self._ring.dropped

    def watch(self, now_s: float) -> str:
        """Look at the journal; a sentence when something has just happened to it."""
        if not self._journal.alive:
            return self._died()
        size = self.bytes
        if size != self._size or self._grown_s is None:
            self._size, self._grown_s = size, now_s
        if now_s - self._grown_s > STALLED_S:
            self.wrong = "The recording stands still. Look at the disk."
        else:
            self.wrong = self._space()
        return ""

    def _space(self) -> str:
        free = disk_free(self.paths[0].parent)
        if free is not None and free < LOG_SPACE:
            return f"The disk has only {free / 1e6:.0f} MB left for the recording."
        return ""

    def _died(self) -> str:
        """A further file, unless that is of no use: on a full disk it is told at once."""
        if self.wrong.startswith(STOPPED):
            return ""
        if self._journal.full:
            self.wrong = DISK_FULL
            return self.wrong
        if self.deaths >= AGAIN or not self._restart():
            self.wrong = GIVEN_UP
            return self.wrong
        return f"The recording's process died; it goes on in {self.paths[-1].name}."

    def _restart(self) -> bool:
        self.deaths += 1
        first = self.paths[0]
        path = first.with_name(f"{first.stem}-part{self.deaths + 1}.mcap")
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
        except OSError:
            return False
        self.paths.append(path)
        self._journal = Listener(self._ring, path, self._header)
        self._grown_s = None
        return True

    def close(self) -> bool:
        """Store the rest; False when something is missing."""
        stored = self._journal.stop(STOP_S)
        return stored and not self.wrong.startswith(STOPPED)
