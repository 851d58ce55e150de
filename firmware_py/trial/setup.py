"""Sets a trial up: the rig as the job needs it, what it truly is, and the world around it.

A rig file says what the machine is. What the job decides comes from the trial: guides, width of
an edge, crossfall, direction, which side a bar stands on, how high, and along or across.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from drivers.simulated.measured import load_grid
from drivers.simulated.reference import REFERENCE, BarTruth, RigTruth, ValveTruth
from drivers.simulated.surface import Surface
from drivers.simulated.world import Reference, World
from firmware_py import errors
from firmware_py.errors import LineholdError
from firmware_py.job import Job, find_job, load_job, misfit
from firmware_py.messages import BAR_GUIDES, Guide, Side
from firmware_py.schema import Crossed, View
from firmware_py.settings import DEG, MM, Bar, Rig
from firmware_py.settings_bars import SimulatedBar
from firmware_py.settings_file import find_rig, load_rig
from firmware_py.trial.scenario import GROUNDS, START_M, Beside, Scenario
from firmware_py.twin import simulated_table, twin_tables

GUIDES = {"string": Guide.STRING, "edge": Guide.EDGE, "strip": Guide.SURFACE}


class TrialError(LineholdError, ValueError):
    """A trial that cannot be run as asked."""


def rig_named(name_or_path: str) -> Rig:
    """A bundled rig, or one from a file; FileFault with every fault of it."""
    return load_rig(find_rig(name_or_path))


def rig_for(scenario: Scenario, rig: Rig) -> Rig:
    """The rig file's machine, set up for this trial's job; all its devices are simulated."""
    sides = [side for side in Side if scenario.beside(side) is not None]
    bars = {side: rig.bars[side] for side in sides if side in rig.bars}
    if not bars:  # the only bar stands on the other side: carry it across
        bars = {sides[0]: next(iter(rig.bars.values()))}
    plain = twin_tables(rig)
    plain["bars"] = {side.value: _bar(scenario, side, bar) for side, bar in bars.items()}
    for side in Side:
        plain[side.value] = _end(scenario, side, side in bars, plain[side.value])
    for part in ("inertial", "air", "motion", "driver", "valves"):
        if plain[part] is not None:
            plain[part]["device"] = part
    control = plain["control"]
    control["crossfall_pct"] = scenario.crossfall_pct
    control["against_chainage"] = scenario.direction == "against"
    if control["master"] not in plain["bars"]:
        control["master"] = next(iter(plain["bars"]))
    try:
        return Rig.model_validate(plain)
    except ValidationError as error:
        told = "; ".join(f"{errors.dotted(one['loc'])}: {one['msg']}" for one in error.errors())
        raise TrialError(f"rig {rig.name} does not fit trial {scenario.name}: {told}") from error


def _bar(scenario: Scenario, side: Side, bar: Bar) -> dict[str, Any]:
    beside = scenario.beside(side)
    if beside is None:
        raise TrialError(f"the trial has nothing on the {side} for a bar to look at")
    plain = simulated_table(bar.model_dump(mode="json"), SimulatedBar, "")
    plain["device"] = f"bar.{side.value}"
    plain["above_mm"] = beside.clearance_mm + _height_mm(beside)
    plain["turned"] = beside.kind == "strip"
    return plain


def _end(scenario: Scenario, side: Side, has_bar: bool, plain: dict[str, Any]) -> dict[str, Any]:
    beside = scenario.beside(side)
    if beside is None or not has_bar:
        return plain | {"guide": Guide.FALL.value}
    return plain | {"guide": GUIDES[beside.kind].value, "edge_width_mm": beside.width_mm}


def _height_mm(beside: Beside) -> float:
    return 0.0 if beside.kind == "strip" else beside.height_mm


def led_ends(rig: Rig) -> tuple[Side, ...]:
    """The ends that a bar of their own leads, the master's first."""
    master = rig.control.master
    ends = (master, master.other)
    return tuple(side for side in ends if side in rig.bars and rig.end(side).guide in BAR_GUIDES)


def job_for(scenario: Scenario, rig: Rig, name: str | None = None) -> Job | None:
    """The job that a trial follows, its own or the named one; TrialError where it does not fit."""
    name = scenario.job if name is None else name
    if name is None:
        return None
    job = load_job(find_job(name))
    if why := misfit(job, rig):
        raise TrialError(f"trial {scenario.name}: {why}")
    return job


def start_chainage(scenario: Scenario) -> float:
    """Chainage of the cutting edge when it stands at the start, m."""
    whole = sum(part.length_m for part in scenario.path)
    return START_M if scenario.direction == "with" else whole - START_M


def truth_for(scenario: Scenario, rig: Rig) -> RigTruth:
    """The machine as it truly is: as its file states, but for what the trial says differs.

    What no rig file states (noise of the engine, bias, a driver's delay) is the reference rig's.
    """
    ref = REFERENCE
    valves = ref.valves
    if (v := rig.valves) is not None:
        valves = replace(
            valves, up_mps=v.up_mm_s * MM, down_mps=v.down_mm_s * MM,
            overlap=v.overlap_pct / 100.0, dead_time_s=v.dead_time_ms * MM,
            lag_s=v.lag_ms * MM, lease_s=v.lease_ms * MM,
        )  # fmt: skip
        if v.pulsed:
            valves = _on_off(rig, valves)
    half = v.cylinder_left_mm * MM if v is not None else ref.blade.cylinder_half_m
    blade = replace(ref.blade, width_m=rig.blade.width_mm * MM, ahead_m=rig.blade.ahead_mm * MM,
                    cylinder_half_m=half)  # fmt: skip
    tracks = replace(ref.tracks, gauge_m=rig.tracks.gauge_mm * MM,
                     length_m=rig.tracks.length_mm * MM)  # fmt: skip
    bars = {side: _bar_truth(scenario, side, bar) for side, bar in rig.bars.items()}
    return replace(
        ref, blade=blade, tracks=tracks, valves=valves,
        left_bar=bars.get(Side.LEFT), right_bar=bars.get(Side.RIGHT),
        inertial=replace(
            ref.inertial, rate_hz=rig.inertial.rate_hz, on_s=60.0 * scenario.warm_up_min
        ),
        valve_speed_factor=scenario.valve_speed_factor,
        extra_dead_time_s=scenario.extra_dead_time_s,
    )  # fmt: skip


def _on_off(rig: Rig, valves: ValveTruth) -> ValveTruth:
    """On/off valves as found, both alike, or the reference rig's; the stated dead time is the mean
    of opening and closing, and what the coils have no part in is the line's."""
    pull_in, let_go = valves.pull_in_s, valves.let_go_s
    if found := rig.calibration.valves.values():
        pull_in = _means([(one.least_up_ms, one.least_down_ms) for one in found])
        lost = _means([(one.lost_up_ms, one.lost_down_ms) for one in found])
        up, down = (max(a - b, 0.0) for a, b in zip(pull_in, lost, strict=True))
        let_go = up, down
    coils = 0.25 * (sum(pull_in) + sum(let_go))
    return replace(
        valves, on_off=True, pull_in_s=pull_in, let_go_s=let_go,
        dead_time_s=max(valves.dead_time_s - coils, 0.0),
    )  # fmt: skip


def _means(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Of up and down, ms to s."""
    up, down = (MM * sum(column) / len(pairs) for column in zip(*pairs, strict=True))
    return up, down


def _bar_truth(scenario: Scenario, side: Side, bar: Bar) -> BarTruth:
    beside = scenario.beside(side)
    return BarTruth(
        elements=bar.elements,
        spacing_m=bar.spacing_mm * MM,
        outside_m=bar.outside_mm * MM,
        clearance_m=beside.clearance_mm * MM if beside is not None else bar.above_mm * MM,
        turned=bar.turned,
        interval_s=bar.frame_ms * MM / bar.elements,
        latency_s=bar.latency_ms * MM,
        half_angle_rad=bar.beam_half_angle_deg * DEG,
        noise_m=bar.noise_mm * MM,
        step_m=bar.step_mm * MM,
        max_echoes=bar.echoes,
        reflector_m=None if bar.reflector_mm is None else bar.reflector_mm * MM,
        reflector_element=bar.reflector_element or 0,
    )


def world_for(scenario: Scenario, ground: str | Path | Surface | None = None) -> World:
    """The world of a trial; `ground` in place of its own: a class, "flat" or an .npz file."""
    return World(
        segments=tuple((part.length_m, part.radius_m) for part in scenario.path),
        grade=scenario.grade_pct / 100.0,
        crossfall=scenario.crossfall_pct / 100.0,
        left=_reference(scenario.left),
        right=_reference(scenario.right),
        direction=scenario.direction,
        ground=_ground(scenario.ground if ground is None else ground),
        ground_mean_m=scenario.ground_mean_mm * MM,
        start_m=START_M,
        start_above_m=scenario.start_above_mm * MM,
        soil=scenario.soil,
        start_lateral_m=scenario.start_lateral_mm * MM,
        speed_mps=scenario.speed_mps,
        run_m=scenario.distance_m,
    )


def _reference(beside: Beside | None) -> Reference | None:
    if beside is None:
        return None
    return Reference(
        kind=beside.kind, height_m=_height_mm(beside) * MM, width_m=beside.width_mm * MM,
        pins=beside.pins, pin_gap_m=beside.pin_gap_m, pin_gap_bend_m=beside.pin_gap_bend_m,
        pin_survey_m=beside.pin_survey_mm * MM, stones=beside.stones, spill=beside.spill,
    )  # fmt: skip


def _ground(ground: str | Path | Surface) -> str | Surface:
    if isinstance(ground, Surface) or str(ground) in GROUNDS:
        return ground if isinstance(ground, Surface) else str(ground)
    if not str(ground).endswith(".npz"):
        told = errors.shown(str(ground))
        raise TrialError(f'{told} is no ground; a class A to H, "flat" or an .npz file is right')
    try:
        return load_grid(ground)
    except ValueError as error:
        raise TrialError(str(error)) from error


def ground_there(trial: View) -> Iterator[Crossed]:
    """For load_trial: the trial's own measured ground is there and can be read."""
    for ground in trial.known("ground"):
        if ground.endswith(".npz"):
            try:
                load_grid(ground)
            except ValueError as error:
                yield Crossed(("ground",), str(error))
