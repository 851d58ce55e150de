"""What can be set on the go, as one value: remembered before each change, and put back."""

from __future__ import annotations

from firmware_py.fuse.moment import Sight
from firmware_py.guide.targets import EndTarget
from firmware_py.messages import SIDES, Guide
from firmware_py.parts import Parts

DEPTH = 16  # changes that can be taken back, one after another

EndSet = tuple[Guide, float | None, float, Sight, float]
# words; both ends; crossfall, gate near and far, dead band; which ends are to be held; ground
Kept = tuple[str, tuple[EndSet, ...], tuple[float, ...], tuple[bool, ...], float | None]


class Changes:
    """`as_is` before a change, `keep` it once it is done, `back` to take the last one back."""

    STATE = ("kept",)

    def __init__(self) -> None:
        self.kept: list[Kept] = []

    @property
    def words(self) -> str:
        return self.kept[-1][0] if self.kept else ""

    @staticmethod
    def as_is(words: str, c: Parts) -> Kept:
        """How all stands now, before the change that these words name."""
        ends = tuple(_end_set(c.targets.ends[side]) for side in SIDES)
        numbers = (c.targets.crossfall, c.gate_near, c.gate_far, c.dead_band)
        holds = tuple(c.guard.asked_hold[side] for side in SIDES)
        ground = None if c.follow is None else c.follow.ground.datum
        return words, ends, numbers, holds, ground

    def keep(self, before: Kept) -> None:
        """The change was done, and can be taken back."""
        self.kept.append(before)
        del self.kept[:-DEPTH]

    def back(self, c: Parts) -> str:
        """Put back what the last change changed; '' when done, else the reason."""
        if not self.kept:
            return "nothing has been changed that could be taken back"
        _, ends, numbers, holds, ground = self.kept.pop()
        if c.follow is not None and c.follow.ground.datum != ground:
            c.follow.set_datum(ground)
        c.guard.asked_hold.update(zip(SIDES, holds, strict=True))
        for side, (guide, datum, lateral, sight, offset) in zip(SIDES, ends, strict=True):
            end = c.targets.ends[side]
            end.guide, end.datum, end.datum_lateral = guide, datum, lateral
            end.sight, end.offset = sight, offset
            c.blade.set_guide(side, guide)
        c.targets.crossfall, c.gate_near, c.gate_far, dead_band = numbers
        c.set_dead_band(dead_band)
        return ""


def _end_set(end: EndTarget) -> EndSet:
    return end.guide, end.datum, end.datum_lateral, end.sight, end.offset
