"""A trial file: where a simulated run takes place, what stands beside it, and what happens.

Lengths in m along the job and in mm across and in height, slopes in %; each key carries its unit.
Left and right are the driver's; crossfall > 0 falls to the right looking up chainage.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field

from drivers.simulated import faults
from firmware_py import errors
from firmware_py.errors import Fault, FileFault, NoName
from firmware_py.messages import Side
from firmware_py.schema import UNKNOWN, Check, Crossed, Part, View
from firmware_py.settings import GuideWord, SideWord
from firmware_py.settings_file import load_model

START_M = 3.0  # m of path behind the blade at the start
SPARE_M = 2.0  # m of path left at the end: the bar looks ahead of where the scoring stops
RUN_IN_M = 5.0  # m; every metre after them counts
GROUNDS = ("A", "B", "C", "D", "E", "F", "G", "H", "flat")
NEEDS = {  # what a thing that happens needs to be told, and what it may be told
    "datum": (("end",), ("above_mm",)),
    "engage": ((), ()),
    "disengage": ((), ()),
    "drive": ((), ()),
    "nudge": (("end", "step_mm"), ()),
    "crossfall": (("step_pct",), ()),
    "guide": (("end", "guide"), ()),
    "gate": (("near_mm", "far_mm"), ()),
    "dead band": (("half_mm",), ()),
    "hold": (("end", "for_s"), ()),
    "hand": (("end", "lever", "for_s"), ()),
    "stop": (("for_s",), ()),
    "reverse": (("for_m",), ()),
    "drop enable": (("for_s",), ()),
    "pin": ((), ("pin",)),
    "refuse": ((), ()),
    "accept": ((), ()),
    "fault": (("fault", "device", "for_s"), ("by_mm", "at_mm", "rate_mm_s", "end")),
}
FAULT_NEEDS = {"jump": "by_mm", "valve_runaway": "rate_mm_s"}
DEVICES = ("bar.left", "bar.right", "inertial", "air", "motion", "driver", "valves")
OPTIONS = frozenset(key for both in NEEDS.values() for keys in both for key in keys)


class Segment(Part):
    """A straight (radius 0) or a bend of the path; radius > 0 turns left."""

    length_m: float = Field(gt=0, le=2000)
    radius_m: float = Field(default=0, ge=-1000, le=1000)


def _radius(segment: View) -> Iterator[Crossed]:
    for radius in segment.known("radius_m"):
        if 0 < abs(radius) < 5:
            words = f"{radius:g} is tighter than the machine drives; 5 or more, or 0 for a straight"
            yield Crossed(("radius_m",), words)


Segment.checks = (_radius,)


class Beside(Part):
    """What stands beside the strip for a bar to look at, and how high the bar stands over it."""

    kind: Literal["string", "edge", "strip"]
    clearance_mm: float = Field(default=600, ge=250, le=1200, description="bar above it")
    height_mm: float = Field(default=150, ge=0, le=600, description="above the design surface")
    width_mm: float = Field(default=120, ge=5, le=1000, description="of an edge's flat top")
    pins: bool = Field(default=True, description="a string's pins, 50 mm proud of it")
    pin_gap_m: float = Field(default=6.0, ge=0.5, le=20)
    pin_gap_bend_m: float = Field(default=1.5, ge=0.5, le=20)
    pin_survey_mm: float = Field(default=0.0, ge=0, le=20, description="1 sigma of a pin's height")
    stones: bool = Field(default=True, description="on a strip: 30 mm high, one every 2 m")
    spill: bool = Field(default=True, description="windrows of soil at the blade end")


class Event(Part):
    """Something that happens at a travelled distance or at a time since the start."""

    do: Literal[
        "datum", "engage", "disengage", "drive", "nudge", "crossfall", "guide", "gate",
        "dead band", "hold", "hand", "stop", "reverse", "drop enable", "pin", "refuse", "accept",
        "fault",
    ]  # fmt: skip
    at_m: float | None = Field(default=None, ge=0, le=2000)
    at_s: float | None = Field(default=None, ge=0, le=20000)
    end: SideWord | None = None
    step_mm: float | None = Field(default=None, ge=-50, le=50)
    step_pct: float | None = Field(default=None, ge=-1, le=1)
    guide: GuideWord | None = None
    near_mm: float | None = Field(default=None, ge=0, le=1000)
    far_mm: float | None = Field(default=None, ge=0, le=1000)
    half_mm: float | None = Field(default=None, ge=0, le=100)
    lever: float | None = Field(default=None, ge=-1, le=1, description="> 0 raises")
    for_s: float | None = Field(default=None, gt=0, le=20000)
    for_m: float | None = Field(default=None, gt=0, le=100)
    fault: str | None = Field(default=None, min_length=1, max_length=40)
    device: str | None = Field(default=None, min_length=1, max_length=40)
    by_mm: float | None = Field(default=None, ge=-2000, le=2000)
    at_mm: float | None = Field(default=None, ge=0, le=2000)
    above_mm: float | None = Field(default=None, ge=-500, le=500, description="of `datum`")
    pin: str | None = Field(default=None, max_length=40, description="name, of `pin`")
    rate_mm_s: float | None = Field(default=None, ge=-500, le=500)


def _event_time(event: View) -> Iterator[Crossed]:
    match event.known("at_m", "at_s"):
        case [None, None]:
            yield Crossed(("at_m",), "missing; an event needs at_m or at_s")
        case [float() | int(), float() | int()]:
            yield Crossed(("at_s", "at_m"), "at_m and at_s are both given; one of them is right")


def _event_needs(event: View) -> Iterator[Crossed]:
    for do in event.known("do"):
        needed, allowed = NEEDS[do]
        for key in needed:
            if event.get(key) is None:
                yield Crossed((key,), f'missing; "{do}" needs it')
        for key in sorted(OPTIONS - {*needed, *allowed}):
            if event.get(key) not in (None, UNKNOWN):
                yield Crossed((key,), f'"{do}" takes no {key}')


def _event_fault(event: View) -> Iterator[Crossed]:
    match event.known("do", "fault", "device"):
        case ["fault", str(kind), str(device)]:
            if device not in DEVICES:
                names = ", ".join(DEVICES)
                yield Crossed(("device",), f"{errors.shown(device)} is no device; {names}")
                return
            try:
                faults.check(kind, device)
            except ValueError as error:
                yield Crossed(("fault",), str(error))
            value = FAULT_NEEDS.get(kind)
            if value is not None and event.get(value) is None:
                yield Crossed((value,), f'missing; the fault "{kind}" needs it')


Event.checks = (_event_time, _event_needs, _event_fault)


def _long_enough(trial: View) -> Iterator[Crossed]:
    for path, distance in [trial.known("path", "distance_m") or ([], 0.0)]:
        lengths = [part.get("length_m") for part in path if isinstance(part, dict)]
        if not lengths or not all(isinstance(length, float | int) for length in lengths):
            return
        length, need = sum(float(one or 0.0) for one in lengths), START_M + distance + SPARE_M
        if length < need - 1e-9:
            words = f"the path is {length:g} m long; {distance:g} m of travel need {need:g} m"
            yield Crossed(("path", "distance_m"), words)


def _something_beside(trial: View) -> Iterator[Crossed]:
    if trial.known("left", "right") == [None, None]:
        yield Crossed(("left",), "missing; a trial needs something beside it, [left] or [right]")


def _some_ground(trial: View) -> Iterator[Crossed]:
    for ground in trial.known("ground"):
        if ground not in GROUNDS and not ground.endswith(".npz"):
            words = f'{errors.shown(ground)} is no ground; a class A to H, "flat", or an .npz file'
            yield Crossed(("ground",), words)


class Scenario(Part):
    """A whole trial file."""

    checks = (_long_enough, _something_beside, _some_ground)

    name: str = Field(min_length=1, max_length=60)
    words: str = Field(min_length=1, max_length=200, description="what happens, in one sentence")
    rig: str = Field(default="reference", min_length=1, description="a bundled rig, or a path")
    seed: int = Field(default=1, ge=0, le=2**31 - 1)
    speed_mps: float = Field(default=0.5, ge=0.1, le=2.0)
    distance_m: float = Field(default=66.0, gt=0, le=2000, description="of travel")
    path: list[Segment] = Field(min_length=1, max_length=200)
    grade_pct: float = Field(default=0, ge=-15, le=15, description="> 0 rises with chainage")
    crossfall_pct: float = Field(default=2, ge=-10, le=10)
    direction: Literal["with", "against"] = "with"
    left: Beside | None = None
    right: Beside | None = None
    ground: str = Field(default="D", min_length=1, max_length=400)
    ground_mean_mm: float = Field(default=20, ge=-100, le=200, description="raw above design")
    start_lateral_mm: float = Field(default=10, ge=0, le=200, description="at most, by chance")
    valve_speed_factor: float = Field(default=1, ge=0.2, le=5, description="true over stated")
    extra_dead_time_s: float = Field(default=0, ge=0, le=0.3, description="true less stated")
    start: Literal["automatic", "by hand"] = "automatic"
    job: str | None = Field(default=None, min_length=1, description="a bundled job, or a path")
    marks_pins: bool = Field(default=True, description="the person marks each pin of the job")
    passes: int = Field(default=1, ge=1, le=10, description="over the same ground")
    soil: bool = Field(default=False, description="the ground stays as the blade leaves it")
    start_above_mm: float = Field(default=0, ge=-100, le=300, description="blade over design")
    warm_up_min: float = Field(
        default=0, ge=0, le=240, description="the sensor was on before its zero was taken"
    )
    events: list[Event] = Field(default=[], max_length=500)

    def beside(self, side: Side) -> Beside | None:
        return self.left if side is Side.LEFT else self.right


def bundled_trials() -> tuple[str, ...]:
    """The names of the trials that come with Linehold."""
    folder = resources.files("firmware_py") / "trials"
    names = [Path(item.name) for item in folder.iterdir()]
    return tuple(sorted(name.stem for name in names if name.suffix == ".toml"))


def find_trial(name_or_path: str) -> Path:
    """The file of a bundled trial's name, or of a path; FileFault if there is none."""
    if not name_or_path:
        raise NoName("a trial's name or file is empty; linehold trial --list names some")
    names = bundled_trials()
    if name_or_path in names:
        return Path(str(resources.files("firmware_py") / "trials" / f"{name_or_path}.toml"))
    if Path(name_or_path).exists():
        return Path(name_or_path)
    words = f"no such trial; bundled trials: {', '.join(names)}"
    raise FileFault([Fault(name_or_path, None, "", words + errors.nearest(name_or_path, names))])


def load_trial(name_or_path: str, extra_checks: Sequence[Check] = ()) -> Scenario:
    """A bundled trial, or one from a file; FileFault with every fault of it."""
    return load_model(find_trial(name_or_path), Scenario, extra_checks)
