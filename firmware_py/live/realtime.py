"""Makes this process fit for the loop, as far as the system permits, and says what it did not."""

from __future__ import annotations

import ctypes
import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import NamedTuple

PRIORITY = 40  # of 1 to 99: below the kernel's own interrupt threads, which stand at 50
MCL_CURRENT, MCL_FUTURE = 1, 2  # <sys/mman.h> on Linux


class Measure(NamedTuple):
    """One thing that was tried, whether it was permitted, and that in a sentence."""

    done: bool
    words: str


@contextmanager
def realtime() -> Iterator[tuple[Measure, ...]]:
    """Real-time priority, locked memory and no garbage collection while the block runs.

    Gives a measure for each of the three. Start other processes before, not within.
    """
    told = (_lock_memory(), raise_priority(), _stop_collecting())
    try:
        yield told
    finally:
        gc.enable()
        gc.unfreeze()
        with suppress(AttributeError, OSError):
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        with suppress(AttributeError, OSError):
            ctypes.CDLL(None).munlockall()


def _stop_collecting() -> Measure:
    """Safe as long as ticks make no circles: samples and messages are untracked structs."""
    gc.collect()
    gc.freeze()
    gc.disable()
    return Measure(True, "Garbage collection is off while the loop runs.")


def _lock_memory() -> Measure:
    why = "this system has no mlockall"
    with suppress(AttributeError, OSError):
        library = ctypes.CDLL(None, use_errno=True)
        if library.mlockall(MCL_CURRENT | MCL_FUTURE) == 0:
            return Measure(True, "Memory is locked.")
        why = os.strerror(ctypes.get_errno())
    return Measure(
        False,
        f"Memory is not locked ({why}): a busy computer may page the loop out. "
        "Raise the memlock limit of this user.",
    )


def raise_priority(priority: int = PRIORITY) -> Measure:
    """Real-time priority for this process, where permitted."""
    why = "this system has no SCHED_FIFO"
    try:
        # A child, or a thread, of the loop must not compete with it: hence reset on fork.
        policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
        os.sched_setscheduler(0, policy, os.sched_param(priority))
        return Measure(True, f"Real-time priority {priority} (SCHED_FIFO).")
    except AttributeError:
        pass
    except OSError as error:
        why = error.strerror or str(error)
    return Measure(
        False,
        f"No real-time priority ({why}): ticks may come late on a busy computer. "
        "Raise the rtprio limit of this user.",
    )
