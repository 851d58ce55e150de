"""What the keeper tells the processes that it starts, and what the loop tells it at the end.

Light to import: the keeper itself needs neither the controller nor the simulated rig.
"""

from __future__ import annotations

import msgspec


class LoopPlan(msgspec.Struct, frozen=True):
    """All that the loop needs to know."""

    settings: dict[str, object]
    link: str
    keeper: str
    ring: str
    recording: str
    wire_fd: int | None  # to the simulated rig; None: nothing is simulated
    report_fd: int
    parent: int
    for_s: float | None = None
    told: tuple[str, ...] = ()  # what a person must know of this rig
    job: dict[str, object] = {}
    start_m: float | None = None


class LoopReport(msgspec.Struct, frozen=True):
    """How it ended: words, numbers, and what real time was permitted."""

    words: str
    timing: str
    failed: bool
    why: str
    numbers: dict[str, object]
    states_failed: int
    measures: tuple[str, ...]


class RigPlan(msgspec.Struct, frozen=True):
    """What is simulated. truth: a file for whoever judges a run, never read by it."""

    settings: dict[str, object]
    seed: int
    wire_fd: int
    ready_fd: int
    link: str
    parent: int
    drives_itself: bool
    waits: bool  # the simulated driver, until somebody has read the cautions
    truth: str = ""
