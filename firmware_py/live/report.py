"""What a live run leaves behind: the exit code, and the end in sentences and in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firmware_py.loop import Ended

GOOD, FAULT, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
SIGNALLED = 128  # plus the number of the signal, as shells have it


@dataclass(frozen=True)
class Report:
    """problems: what went wrong beside the loop; measures: what real time was permitted."""

    code: int
    ended: Ended
    recording: str
    problems: tuple[str, ...]
    measures: tuple[str, ...]
    dropped_frames: int

    def sentences(self) -> tuple[str, ...]:
        """For a person, the end first."""
        return (
            self.ended.words(),
            *self.problems,
            *self._remarks(),
            *self.measures,
            self.ended.timing_words(),
            f"Recording: {self.recording}",
        )

    def _remarks(self) -> tuple[str, ...]:
        """What a person should know, though the run was good."""
        failed = self.ended.states_failed
        if not failed:
            return ()
        return (
            f"{failed} states of the controller could not be recorded: "
            "a replay cannot go on after a gap.",
        )

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "exit_code": self.code,
            "ended": self.ended.as_dict(),
            "recording": self.recording,
            "problems": list(self.problems),
            "remarks": list(self._remarks()),
            "measures": list(self.measures),
            "dropped_frames": self.dropped_frames,
        }
