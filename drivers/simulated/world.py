"""Where a simulated rig works: path, design, references, ground, direction. SI units, radians.

Crossfall here is in chainage terms (> 0 falls to the right looking up chainage); a machine
travelling "against" sees it negated. "left" and "right" references are the driver's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from drivers.simulated.path import Design, Path
from drivers.simulated.surface import CLASS_GD, Surface

KINDS = ("string", "edge", "strip")


@dataclass(frozen=True)
class Reference:
    """What stands beside the strip for a bar to look at."""

    kind: str = "string"  # or "edge" (formwork, kerb lip), or "strip" (finished surface)
    height_m: float = 0.15  # above the design surface at its own place; a strip has 0
    width_m: float = 0.12  # of an edge's flat top
    pins: bool = True  # a string's pins proud of it
    pin_gap_m: float = 6.0  # on straights
    pin_gap_bend_m: float = 1.5  # in bends (chosen)
    pin_survey_m: float = 0.0  # 1 sigma of each pin's height
    weight_n_per_m: float = 0.03  # of the string (chosen)
    tension_n: float = 150.0  # of the string (chosen)
    stones: bool = True  # on a strip: 30 mm, every 2 m
    spill: bool = True  # windrows of soil at the blade end
    rough_m: float = 0.001  # rms of a strip's texture

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"reference kind {self.kind!r} is none of {', '.join(KINDS)}")
        if self.kind == "strip" and self.height_m != 0.0:
            object.__setattr__(self, "height_m", 0.0)


@dataclass(frozen=True)
class World:
    """Everything around the rig; a trial file fills it by keywords (`World.of`)."""

    segments: tuple[tuple[float, float], ...] = ((80.0, 0.0),)  # (length m, radius m left > 0)
    grade: float = 0.0
    crossfall: float = 0.02
    level_m: float = 0.0
    left: Reference | None = field(default_factory=Reference)
    right: Reference | None = None
    direction: str = "with"  # or "against" chainage
    ground: str | Surface = "D"  # an ISO 8608 class, "flat", or a measured Surface
    ground_mean_m: float = 0.02  # raw ground above the design surface, mean of the strip
    start_m: float = 3.0  # of travel between the path's end and the blade
    start_above_m: float = 0.0  # the blade over the design when it stands at the start
    soil: bool = False  # the ground stays as the blade leaves it, and resists
    start_lateral_m: float = 0.010  # at most, by chance, either side
    speed_mps: float = 0.5  # planned: spreads dropout clusters and warm air over the run
    run_m: float | None = None  # planned travel; None: from the start to the path's end

    def __post_init__(self) -> None:
        if self.direction not in ("with", "against"):
            raise ValueError(f'direction {self.direction!r} is neither "with" nor "against"')
        if isinstance(self.ground, str) and self.ground not in (*CLASS_GD, "flat"):
            raise ValueError(f'ground {self.ground!r} is neither a class A to H nor "flat"')
        if not self.speed_mps > 0.0:
            raise ValueError(f"planned speed {self.speed_mps} m/s is not above 0")

    @classmethod
    def of(cls, **keywords: Any) -> World:
        """A world from plain values: references may be mappings, segments lists."""
        _refuse_unknown(cls, keywords)
        for side in ("left", "right"):
            value = keywords.get(side)
            if isinstance(value, Mapping):
                _refuse_unknown(Reference, value)
                keywords[side] = Reference(**value)
        if "segments" in keywords:
            keywords["segments"] = tuple((float(a), float(b)) for a, b in keywords["segments"])
        return cls(**keywords)

    @property
    def sign(self) -> float:
        """+1 travelling with chainage, -1 against."""
        return 1.0 if self.direction == "with" else -1.0

    def design(self) -> Design:
        """The design surface on its path."""
        return Design(Path(self.segments), self.level_m, self.grade, self.crossfall)

    def run_s(self) -> float:
        """How long the planned run takes at the planned speed, s."""
        travel = self.run_m or sum(length for length, _ in self.segments) - self.start_m
        return max(travel, 1.0) / self.speed_mps


def _refuse_unknown(cls: type, keywords: Mapping[str, Any]) -> None:
    known = {f.name for f in fields(cls)}
    unknown = sorted(set(keywords) - known)
    if unknown:
        raise ValueError(f"{cls.__name__} knows no {', '.join(unknown)}")
