"""A job file: what `linehold run` follows along the chainage, as setting out wrote it.

Files are an edge of the program: m along the job, mm in height, % for crossfall. Left, right and
crossfall are meant looking up chainage; whoever drives against it swaps them.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Literal

from pydantic import Field

from firmware_py.errors import Fault, FileFault, nearest
from firmware_py.messages import BAR_GUIDES
from firmware_py.schema import Crossed, Part, View
from firmware_py.settings import Gate, Rig, SideWord
from firmware_py.settings_file import load_model

JOB_SCHEMA = 1
MOST_STATIONS = 200_000
MAX_BYTES = 30_000_000  # so many stations and pins have some 25 MB


class Station(Part):
    """The target at one chainage; between two it runs straight.

    offset_mm: how far the layer lies above the straight line between the pins (a vertical
    curve's bow, the string's sag). level_m: of the layer at the string's side, for the report.
    ground_mm: how far the present ground lies over the layer there, where it is known: a pass
    cuts no deeper below it than cut.each_mm.
    """

    chainage_m: float = Field(ge=-1e6, le=1e6)
    offset_mm: float = Field(default=0, ge=-500, le=500, description="over the reference's line")
    crossfall_pct: float = Field(ge=-20, le=20)
    level_m: float | None = Field(default=None, ge=-500, le=9000, description="of the layer")
    ground_mm: float | None = Field(default=None, ge=-2000, le=2000, description="over the layer")


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
            for number, (one, two) in enumerate(pairwise(at), start=1):
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


def bundled_jobs() -> tuple[str, ...]:
    """The names of the job files that come with Linehold."""
    names = [Path(item.name) for item in (resources.files("firmware_py") / "jobs").iterdir()]
    return tuple(sorted(name.stem for name in names if name.suffix == ".toml"))


def find_job(name_or_path: str) -> Path:
    """The file of a bundled job's name, or of a path; FileFault if there is none."""
    names = bundled_jobs()
    if name_or_path in names:
        return Path(str(resources.files("firmware_py") / "jobs" / f"{name_or_path}.toml"))
    if name_or_path and Path(name_or_path).is_file():
        return Path(name_or_path)
    words = f"no such job file; linehold setout writes one; bundled: {', '.join(names)}"
    raise FileFault([Fault(name_or_path, None, "", words + nearest(name_or_path, names))])


def misfit(job: Job, rig: Rig) -> str:
    """Why a rig cannot follow a job, in one sentence; '' when it can."""
    steepest = max(abs(station.crossfall_pct) for station in job.stations)
    if steepest > rig.limits.crossfall_pct:
        most = rig.limits.crossfall_pct
        return (
            f"the job falls {steepest:g} %; rig {rig.name} allows limits.crossfall_pct = {most:g}"
        )
    if job.string_side is None:
        return ""
    ours = job.string_side.other if rig.control.against_chainage else job.string_side
    if ours in rig.bars and rig.end(ours).guide in BAR_GUIDES:
        return ""
    way = "against" if rig.control.against_chainage else "with"
    return (
        f"the job's string stands on the {job.string_side} looking up chainage; driving {way} "
        f"chainage that is the {ours} end, and rig {rig.name} has no bar that leads it"
    )


def load_job(path: Path) -> Job:
    """The job of a job file; FileFault with every fault of it."""
    return load_model(path, Job, most=MAX_BYTES)
