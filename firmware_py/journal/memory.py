"""The memory under the ring: shared between processes by name, or of this process alone."""

from __future__ import annotations

import multiprocessing
import shutil
import sys
from multiprocessing import resource_tracker
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path

from firmware_py.errors import LineholdError

SHARED_FOLDER = Path("/dev/shm")  # where Linux keeps shared memory, a file each
PAGE = 4096

_made_here: set[str] = set()


class RingError(LineholdError, OSError):
    """The ring's memory cannot be made, found or used."""


class Memory:
    """A block of bytes, zero at first, with every page already in place."""

    def __init__(self, view: memoryview, shared: SharedMemory | None, owner: bool) -> None:
        self.view = view
        self._shared = shared
        self._owner = owner

    @property
    def name(self) -> str:
        return "" if self._shared is None else self._shared.name

    @classmethod
    def local(cls, size: int) -> Memory:
        return cls(memoryview(bytearray(_rounded(size))), None, False)

    @classmethod
    def create(cls, size: int, name: str | None = None) -> Memory:
        """New shared memory. Fails now, in words, not later by a bus error in the loop."""
        size = _rounded(size)
        if SHARED_FOLDER.is_dir() and (free := shutil.disk_usage(SHARED_FOLDER).free) < size:
            raise RingError(
                f"the journal's ring needs {size / 1e6:.0f} MB of shared memory, {SHARED_FOLDER} "
                f"has {free / 1e6:.0f} MB: make it larger, or lower control.tick_hz"
            )
        try:
            shared = SharedMemory(name, create=True, size=size)
        except (OSError, ValueError) as error:
            raise RingError(f"cannot make shared memory '{name}': {error}") from error
        _made_here.add(shared.name)
        view = _view(shared)[:size]
        # One byte a page, so that the loop's first lap meets no page fault.
        view[::PAGE] = bytes(len(range(0, size, PAGE)))
        return cls(view, shared, True)

    @classmethod
    def attach(cls, name: str) -> Memory:
        try:
            shared = _attach(name)
        except (OSError, ValueError) as error:
            raise RingError(f"no ring named '{name}': is the controller running?") from error
        return cls(_view(shared), shared, False)

    def close(self) -> None:
        """Let go; the process that created the memory also removes its name."""
        self.view.release()
        if self._shared is None:
            return
        self._shared.close()
        if self._owner:
            self._owner = False
            _made_here.discard(self._shared.name)
            self._shared.unlink()


def _rounded(size: int) -> int:
    return -(-size // PAGE) * PAGE


def _view(shared: SharedMemory) -> memoryview:
    if shared.buf is None:
        raise RingError(f"shared memory '{shared.name}' is closed")
    return shared.buf[:]


def _attach(name: str) -> SharedMemory:
    """Attach without owning: a listener that ends must not remove the loop's memory."""
    if sys.version_info >= (3, 13):
        return SharedMemory(name, track=False)
    shared = SharedMemory(name)
    # Before 3.13 an attached block is tracked, and removed at exit, as if made here. A child
    # of multiprocessing shares its parent's tracker, where the entry is the parent's own.
    if name not in _made_here and multiprocessing.parent_process() is None:
        resource_tracker.unregister(f"/{name}", "shared_memory")
    return shared
