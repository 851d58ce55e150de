"""Where results are kept: a folder a rig, a file a procedure and device, and the counts of age.

FOLDER/counts.json           boots and engaged hours so far
FOLDER/RIG/tilt.json ...     results, each with the one before it beside it
"""

from __future__ import annotations

import ctypes
import datetime
import os
from dataclasses import dataclass
from pathlib import Path

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.commission import store
from firmware_py.commission.estimate import CommissionError, Estimate
from firmware_py.commission.store import Now, Result
from firmware_py.settings import Rig

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")  # Linux: another one after each boot
UNSYNCED = 5  # TIME_ERROR of adjtimex(2): the kernel's clock is not synchronised


class Counts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """boot: the last one's id; engaged_h: hours under automatic, over all runs."""

    boot: str = ""
    boots: int = 0
    engaged_h: float = 0.0


def default_folder() -> Path:
    """By the XDG base directory specification: state of a program, not of a document."""
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "linehold"


def safe(name: str) -> str:
    """A name as a file's name, whatever it holds."""
    words = "".join(c if c.isalnum() or c in "-_." else "-" for c in name)
    return words.strip(".-") or "rig"


def synced() -> bool:
    """Whether the kernel says that its clock is synchronised; False where it cannot be asked."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        state = libc.adjtimex(ctypes.create_string_buffer(512))  # all 0: reads, sets nothing
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < UNSYNCED


class Keeping:
    """The counts of a folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "counts.json"

    def read(self) -> Counts:
        """As of now: a boot that was not seen before counts."""
        counts, boot = self._stored(), _boot()
        if boot != counts.boot:
            counts = Counts(boot, counts.boots + 1, counts.engaged_h)
        return counts

    def add(self, engaged_h: float) -> Counts:
        """So many more hours under automatic, stored."""
        counts = self.read()
        counts = Counts(counts.boot, counts.boots, counts.engaged_h + max(engaged_h, 0.0))
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.write_bytes(msgspec.json.encode(counts))
        fresh.replace(self.path)
        return counts

    def _stored(self) -> Counts:
        try:
            return msgspec.json.decode(self.path.read_bytes(), type=Counts)
        except FileNotFoundError:
            return Counts()
        except (OSError, *NO_MESSAGE) as error:
            told = "put it right or away: without it no result's age is known"
            raise CommissionError(f"{self.path} holds no counts: {error}; {told}.") from error


def _boot() -> str:
    try:
        return BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""


@dataclass(frozen=True)
class Book:
    """One rig's results; `of` names a device where a rig has several."""

    folder: Path
    rig: Rig

    def path(self, kind: str, of: str = "") -> Path:
        """Of one result's file."""
        return self.folder / safe(self.rig.name) / f"{'.'.join(filter(None, (kind, of)))}.json"

    def now(self, device: str) -> Now:
        """What a result is made under, or held against."""
        counts = Keeping(self.folder).read()
        return Now(counts.boots, counts.engaged_h, device)

    def load(self, kind: str, of: str = "") -> Result | None:
        """The stored result; None without one."""
        return store.load(self.path(kind, of))

    def save(
        self, kind: str, device: str, temperature_c: float | None, values: dict[str, Estimate], *,
        of: str = "", words: str = "",
    ) -> Path:  # fmt: skip
        """Store what was found; where it stands now."""
        path = self.path(kind, of)
        path.parent.mkdir(parents=True, exist_ok=True)
        Keeping(self.folder).add(0.0)
        wall = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        store.save(path, store.make(
            kind, self.now(device), temperature_c, values, wall=wall, synced=synced(), words=words
        ))  # fmt: skip
        return path

    def undo(self, kind: str, of: str = "") -> str:
        """Take the last saved result back; what is in force then."""
        path = self.path(kind, of)
        if not path.exists():
            raise CommissionError(f"There is no stored {kind} to take back ({path}).")
        if store.undo(path):
            return f"The last {kind} was taken back; the one before it is in force again."
        return f"The {kind} was taken back; there was none before it."
