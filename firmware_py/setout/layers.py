"""Layers of a make-up: where each lies, and how loose material is laid to end there. m."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from firmware_py.setout.alignment import SetoutError

FORMATION = "formation"


@dataclass(frozen=True)
class LayerBuilt:
    """One layer: how far its top lies below the finished level, and how it is laid.

    compaction: share of the loose thickness that compaction takes away.
    """

    name: str
    below: float
    thickness: float
    compaction: float = 0.0

    @property
    def loose(self) -> float:
        """Loose thickness, m: t / (1 - p)."""
        return self.thickness / (1.0 - self.compaction)

    @property
    def proud(self) -> float:
        """How far it is laid above where it ends, m."""
        return self.loose - self.thickness


def stack(rows: Sequence[tuple[str, float, float]]) -> list[LayerBuilt]:
    """Layers from (name, thickness, compaction), the top one first, and the formation below."""
    made, below = [], 0.0
    for name, thickness, compaction in rows:
        if not (thickness > 0.0 and 0.0 <= compaction < 1.0):
            raise SetoutError(f"layer {name}: {thickness:g} m thick, {compaction:g} compacted away")
        made.append(LayerBuilt(name, below, thickness, compaction))
        below += thickness
    return [*made, LayerBuilt(FORMATION, below, 0.0)]


def graded_below(layer: LayerBuilt) -> float:
    """How far below the finished level a layer is graded, m: loose, before it is compacted."""
    return layer.below - layer.proud
