"""The design file that `linehold setout` reads: levels, layers, string and ground, as on paper.

Files are an edge of the program: m along the job and for levels, mm for what is small, % for
slopes. Left, right and crossfall are meant looking up chainage; crossfall > 0 falls to the right.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from firmware_py.job import Cut, Obstacle, Pin
from firmware_py.schema import Part
from firmware_py.setout import design_checks as checks
from firmware_py.settings import SideWord

MOST_INLINE = 10_000  # rows in the file itself; more belong into a CSV beside it
FORMATION = "formation"  # what lies below every layer that the file lists

Chainage = Annotated[float, Field(ge=-1e6, le=1e6)]
Level = Annotated[float, Field(ge=-500, le=9000)]
Crossfall = Annotated[float, Field(ge=-20, le=20)]
Width = Annotated[float, Field(gt=0, le=50)]
Name = Annotated[str, Field(min_length=1, max_length=60)]
Words = Annotated[str, Field(max_length=200)]
NameOfFile = Annotated[str, Field(min_length=1, max_length=400)]


class DesignStation(Part):
    """A finished level at one chainage; between two it runs straight."""

    chainage_m: Chainage
    level_m: Level
    crossfall_pct: Crossfall | None = None
    width_m: Width | None = None


class Point(Part):
    """Where two grades meet: its level, or the grade of the way to it; curve_m long a curve."""

    chainage_m: Chainage
    level_m: Level | None = None
    grade_pct: float | None = Field(default=None, ge=-40, le=40, description="of the way to here")
    curve_m: float = Field(default=0, ge=0, le=10_000, description="length of a parabola, halved")

    checks = (checks.level_or_grade,)


class Profile(Part):
    """Finished levels along the job, in one of four ways."""

    level_at: Literal["left", "middle", "right"] = "middle"
    stations: list[DesignStation] = Field(default=[], max_length=MOST_INLINE)
    stations_csv: NameOfFile | None = None
    points: list[Point] = Field(default=[], max_length=MOST_INLINE)
    landxml: NameOfFile | None = None
    alignment: str | None = Field(default=None, min_length=1, max_length=200)

    checks = (checks.one_kind_of_levels, checks.stations_in_order, checks.points_fit)


class CrossfallAt(Part):
    """The crossfall at one chainage; between two it changes evenly."""

    chainage_m: Chainage
    pct: Crossfall


class Layer(Part):
    """A layer of the make-up, from the top down."""

    name: Name
    thickness_mm: float = Field(gt=0, le=2000, description="when compacted")
    compaction_pct: float = Field(
        default=0, ge=0, le=50, description="of the loose thickness, lost"
    )


class StringLine(Part):
    """The string, its pins, and what it may be off by."""

    side: SideWord
    above_mm: float = Field(ge=50, le=1500, description="above the layer")
    beside_mm: float = Field(default=300, ge=0, le=3000, description="off the edge of the strip")
    line_mass_g_per_m: float = Field(default=3, gt=0, le=1000)
    tension_n: float = Field(default=150, gt=0, le=5000)
    tolerance_mm: float = Field(default=3, gt=0, le=100, description="chord and sag, each and both")
    plan_tolerance_mm: float = Field(
        default=20, gt=0, le=200, description="chord of a bend in plan"
    )
    most_spacing_m: float = Field(default=6, ge=0.5, le=50)
    least_spacing_m: float = Field(default=1, ge=0.2, le=20)
    pin_proud_mm: float = Field(default=50, ge=0, le=500, description="of its string")
    pin_in_ground_mm: float = Field(default=300, ge=50, le=2000)
    pin_level_sd_mm: float = Field(
        default=1, ge=0, le=20, description="1 sigma of the string at a pin"
    )
    pins: list[Pin] = Field(default=[], max_length=MOST_INLINE, description="in place of ours")

    checks = (checks.pins_in_order, checks.spacings)


class Bend(Part):
    """A bend in plan."""

    from_m: Chainage
    to_m: Chainage
    radius_m: float = Field(ge=1, le=1e6)

    checks = (checks.runs_on,)


class Thing(Part):
    """Something that stands or lies beside the string, all along: formwork, kerb, windrow."""

    words: Name
    aside_mm: float = Field(ge=0, le=5000, description="from the string, in plan")
    above_mm: float = Field(ge=-2000, le=3000, description="its top, above the layer")


class GroundLevel(Part):
    """A level of the ground that is there: one for the whole width, or one at each edge."""

    chainage_m: Chainage
    level_m: Level | None = None
    left_m: Level | None = None
    right_m: Level | None = None

    checks = (checks.one_or_both_edges,)


class Existing(Part):
    """The ground that is there."""

    levels: list[GroundLevel] = Field(default=[], max_length=MOST_INLINE)
    csv: NameOfFile | None = None

    checks = (checks.one_kind_of_ground, checks.ground_in_order)


class Limits(Part):
    """What setting out warns of; local rules may be stricter."""

    accessible: bool = Field(default=True, description="warn beyond accessible routes' limits")
    crossfall_rate_pct_per_m: float = Field(default=0.5, gt=0, le=20, description="of a transition")


class Design(Part):
    """A whole design file."""

    checks = (checks.layer_is_listed, checks.rows_in_order, checks.spans_fit)

    design_schema: Literal[1] = Field(default=1, description="of this kind of file")
    name: Name
    words: Words = ""
    worked_on: Name = Field(default=FORMATION, description="the layer that is graded")
    width_m: Width | None = None
    crossfall_pct: Crossfall | None = None
    tolerance_mm: float = Field(default=5, gt=0, le=100)
    crossfall_tolerance_pct: float = Field(default=0.3, gt=0, le=5)
    station_m: float = Field(default=1, ge=0.1, le=100, description="between the sheet's stations")
    profile: Profile
    crossfall: list[CrossfallAt] = Field(default=[], max_length=MOST_INLINE)
    layers: list[Layer] = Field(default=[], max_length=20)
    string: StringLine
    bends: list[Bend] = Field(default=[], max_length=1000)
    beside: list[Thing] = Field(default=[], max_length=100)
    obstacles: list[Obstacle] = Field(default=[], max_length=1000)
    existing: Existing | None = None
    limits: Limits = Limits()
    cut: Cut = Cut()
