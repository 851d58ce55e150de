"""Which old logs may go, by the owner's rule: pure sums over what stands in a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

DAY_S = 86400.0
GB = 1e9


@dataclass(frozen=True)
class Old:
    """One log as the rule sees it: when it was last written (s, wall clock), its size, and
    whether it must stay whatever the rule says, with the reason."""

    path: Path
    written_s: float
    bytes: int
    keep: str = ""


@dataclass(frozen=True)
class Choice:
    """One log and what becomes of it; why: in words."""

    old: Old
    goes: bool
    why: str


def choose(
    logs: Sequence[Old], now_s: float, keep_days: float | None, keep_gb: float | None
) -> tuple[Choice, ...]:
    """Oldest first. A log goes when it is older than keep_days, or when it and all younger ones
    are more than keep_gb together; without either rule none goes."""
    room = None if keep_gb is None else keep_gb * GB
    found: list[Choice] = []
    for old in sorted(logs, key=lambda one: (-one.written_s, one.path)):
        age = (now_s - old.written_s) / DAY_S
        if room is not None:
            room -= old.bytes
        found.append(_one(old, age, keep_days, room, keep_gb))
    return tuple(reversed(found))


def _one(
    old: Old, age: float, keep_days: float | None, room: float | None, keep_gb: float | None
) -> Choice:
    if old.keep:
        return Choice(old, False, old.keep)
    if age < 0.0:
        return Choice(old, False, "written later than now by the clock; it stays")
    if keep_days is not None and age > keep_days:
        return Choice(old, True, f"{age:.0f} days old, older than {keep_days:g}")
    if room is not None and room < 0.0:
        return Choice(old, True, f"with all younger ones more than {keep_gb:g} GB")
    return Choice(old, False, "within the rule")
