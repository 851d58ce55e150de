"""A job file: what `linehold run` follows along the chainage, as setting out wrote it.

Files are an edge of the program: m along the job, mm in height, % for crossfall. Left, right and
crossfall are meant looking up chainage; whoever drives against it swaps them.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from pydantic import Field

from firmware_py.schema import Crossed, Part, View
from firmware_py.settings import Gate, SideWord
from firmware_py.settings_file import load_model

JOB_SCHEMA = 1
MOST_STATIONS = 200_000
MAX_BYTES = 30_000_000  # so many stations and pins have some 25 MB


class Station(Part):
    """The target at one chainage; between two it runs straight.

    offset_mm: how far the layer lies above the straight line between the pins (a vertical
    curve's bow, the string's sag). level_m: of the layer at the string's side, for the report.
    """

    chainage_m: float = Field(ge=-1e6, le=1e6)
    offset_mm: float = Field(default=0, ge=-500, le=500, description="over the reference's line")
    crossfall_pct: float = Field(ge=-20, le=20)
    level_m: float | None = Field(default=None, ge=-500, le=9000, description="of the layer")


class Pin(Part):
    """A pin of the string: a marked place whose chainage is known."""

    chainage_m: float = Field(ge=-1e6, le=1e6)
    name: str = Field(default="", max_length=40)


class Obstacle(Part):
    """A place where the blade cannot simply go on.

    cover and pole: both ends lift by lift_mm between from_m and to_m. gap: the reference is
    missing there.
    """

    kind: Literal["cover", "pole", "gap"]
    from_m: float = Field(ge=-1e6, le=1e6)
    to_m: float = Field(ge=-1e6, le=1e6)
    lift_mm: float = Field(default=60, ge=0, le=300)
    words: str = Field(default="", max_length=80)


class Cut(Part):
    """How deep one pass may go below the ground that is there."""

    each_mm: float = Field(default=30, ge=5, le=200, description="deepest cut of one pass")


def _obstacle_runs_on(obstacle: View) -> Iterator[Crossed]:
    match obstacle.known("from_m", "to_m"):
        case [start, end] if start >= end:
            yield Crossed(("from_m", "to_m"), f"{start:g} is not below to_m, {end:g}")


Obstacle.checks = (_obstacle_runs_on,)


def _in_order(job: View) -> Iterator[Crossed]:
    for key in ("stations", "pins", "obstacles"):
        for rows in job.known(key):
            place = "from_m" if key == "obstacles" else "chainage_m"
            at = [row.get(place) if isinstance(row, dict) else None for row in rows]
            for number, (one, two) in enumerate(zip(at, at[1:], strict=False), start=1):
                if isinstance(one, float | int) and isinstance(two, float | int) and two <= one:
                    words = f"{two:g} does not follow {one:g}; rising chainages are right"
                    yield Crossed((f"{key}.{number}.{place}", key), words)
                    break


class Job(Part):
    """A whole job file."""

    checks = (_in_order,)

    job_schema: Literal[1] = Field(default=1, description="of this kind of file")
    name: str = Field(min_length=1, max_length=60)
    layer: str = Field(min_length=1, max_length=60, description="the layer that is worked on")
    string_side: SideWord | None = Field(default=None, description="looking up chainage")
    string_above_mm: float | None = Field(default=None, ge=0, le=3000, description="the layer")
    width_m: float | None = Field(default=None, gt=0, le=50)
    tolerance_mm: float = Field(default=5, gt=0, le=100)
    crossfall_tolerance_pct: float = Field(default=0.3, gt=0, le=5)
    announce_m: float = Field(default=5, ge=0, le=50, description="a transition, ahead of it")
    stations: list[Station] = Field(min_length=1, max_length=MOST_STATIONS)
    pins: list[Pin] = Field(default=[], max_length=MOST_STATIONS)
    obstacles: list[Obstacle] = Field(default=[], max_length=1000)
    cut: Cut = Cut()
    gate: Gate | None = Field(default=None, description="the range gate that suits the string")


def load_job(path: Path) -> Job:
    """The job of a job file; FileFault with every fault of it."""
    return load_model(path, Job, most=MAX_BYTES)
