"""What a live run leaves behind: the exit code, and the end in sentences and in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firmware_py.live.plans import LoopReport

GOOD, FAULT, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
IGNITION = 3  # the ignition went off: whoever started the run may now switch the computer off
SIGNALLED = 128  # plus the number of the signal, as shells have it


@dataclass(frozen=True)
class Report:
    """problems: what went wrong beside the loop; loop: its own words, numbers and measures."""

    code: int
    loop: LoopReport
    recordings: tuple[str, ...]
    problems: tuple[str, ...]
    dropped_frames: int

    def sentences(self) -> tuple[str, ...]:
        """For a person, the end first."""
        stored = [f"Recording: {path}" for path in self.recordings]
        told = (
            self.loop.words, *self.problems, *self._remarks(), *self.loop.measures,
            self.loop.timing, *stored,
        )  # fmt: skip
        return tuple(filter(None, told))

    def _remarks(self) -> tuple[str, ...]:
        """What a person should know, though the run was good."""
        failed = self.loop.states_failed
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
            "ended": self.loop.numbers | {"words": self.loop.words},
            "recording": self.recordings[0],
            "recordings": list(self.recordings),
            "problems": list(self.problems),
            "remarks": list(self._remarks()),
            "measures": list(self.loop.measures),
            "dropped_frames": self.dropped_frames,
        }
