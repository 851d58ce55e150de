"""Hours under automatic, counted from the ticks that the keeper hears, and kept in the counts."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from firmware_py.commission.book import Keeping
from firmware_py.errors import LineholdError
from firmware_py.messages import Mode, Tick

GAP_S = 1.0  # s between two ticks heard: over a longer gap nothing is known
EVERY_S = 60.0  # of automatic, between two writes: so much a power cut may cost


class Engaged:
    """`put` each tick heard, `close` in the end."""

    def __init__(self, folder: Path | None) -> None:
        self._keeping = None if folder is None else Keeping(folder)
        self._last_s: float | None = None
        self._seconds = 0.0

    def put(self, tick: Tick) -> None:
        """One tick."""
        last, self._last_s = self._last_s, tick.time_s
        if last is None or tick.mode is not Mode.AUTO or not 0.0 < tick.time_s - last < GAP_S:
            return
        self._seconds += tick.time_s - last
        if self._seconds >= EVERY_S:
            self.close()

    def close(self) -> None:
        """Store what has come together; a run does not end for counts that cannot be kept."""
        if self._keeping is None or not self._seconds:
            return
        with suppress(OSError, LineholdError):
            self._keeping.add(self._seconds / 3600.0)
        self._seconds = 0.0
