"""What stands at the head of a log, and the topics in it."""

from __future__ import annotations

import platform
from importlib import metadata
from pathlib import Path
from typing import Any

import msgspec

import firmware_py
from firmware_py.messages import SCHEMA

FORMAT = 1  # of the log: the topics and their order
# A topic's channel in the file is its place here plus one, so that a log whose first chunk is
# damaged is still understood.
TOPICS = ("header", "record", "state", "gap", "events")
HEADER, RECORD, STATE, GAP, EVENTS = range(1, 6)
IN_MSGPACK = {RECORD, STATE}  # the others are JSON, for people and other tools
CUT_AWAY = "cut away on purpose"  # why records are missing before an excerpt
PACKAGES = ("numpy", "msgspec", "mcap", "simple-pid")


def compiled() -> bool:
    """Whether the controller runs as C, made by `make native`."""
    from firmware_py import controller

    return Path(controller.__file__).suffix != ".py"


def versions() -> dict[str, str]:
    """Versions of all that a tick's bits may depend on, and the kind of machine."""
    own = {
        "linehold": firmware_py.__version__ + (" (compiled)" if compiled() else ""),
        "python": platform.python_version(),
        "machine": platform.machine(),
    }
    return own | {name: metadata.version(name) for name in PACKAGES}


class Header(msgspec.Struct, frozen=True):
    """The rig file's text, the settings as read, versions, and the wall time at the start.

    notes holds what else the maker wants kept, such as a trial's name and seed. job: the job
    file as read, empty without one; start_m: the chainage that the run began at.
    """

    rig: str
    settings: dict[str, Any]
    started: str
    notes: dict[str, str] = {}
    versions: dict[str, str] = msgspec.field(default_factory=versions)
    schema: int = SCHEMA
    format: int = FORMAT
    job: dict[str, Any] = {}
    start_m: float | None = None


class Gap(msgspec.Struct, frozen=True):
    """Records that are missing, first to last, both included, and why."""

    first: int
    last: int
    why: str

    @property
    def count(self) -> int:
        return self.last - self.first + 1

    def words(self) -> str:
        if self.count == 1:
            return f"record {self.first} is missing: {self.why}"
        return f"records {self.first} to {self.last} are missing ({self.count}): {self.why}"
