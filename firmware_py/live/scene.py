"""The scene round a live simulated rig, and whether the simulated rig can be what a file says.

It is a trial without a script or a score: what stands where is set up by the same code.
"""

from __future__ import annotations

from typing import Any

from firmware_py.errors import LineholdError
from firmware_py.messages import Guide, Side
from firmware_py.settings import Rig
from firmware_py.trial.scenario import Scenario

SPEED_MPS = 0.5
WAY_M = 75.0  # m of travel: two and a half minutes at that speed
PATH_M = 82.0  # of path, with room before the start and after the end
STANDS_MM = 150.0  # a string or an edge above the design surface
KINDS = {Guide.EDGE: "edge", Guide.SURFACE: "strip"}


class RigError(LineholdError, ValueError):
    """A rig file that the simulated rig cannot stand in for."""


def check_simulated(rig: Rig) -> None:
    """RigError where the simulated rig cannot be what a rig file says; makes nothing."""
    scene_for(rig)
    there = [f"bar.{side}" for side in rig.bars] + ["inertial", "air", "motion", "driver", "valves"]
    names = [bar.device for bar in rig.bars.values()]
    names += [rig.inertial.device, rig.air.device, rig.motion.device, rig.driver.device]
    for device in [*names, *([rig.valves.device] if rig.valves else [])]:
        if device not in there:
            raise RigError(
                f"rig '{rig.name}' names a device '{device}' that the simulated rig has not; "
                f"it has {', '.join(there)}"
            )


def scene_for(rig: Rig) -> Scenario:
    """A straight path on rough ground, with what each bar is to look at."""
    beside = {side.value: _beside(rig, side) for side in rig.bars}
    return Scenario.model_validate(
        {
            "name": "run",
            "words": "A straight path beside the references that the rig's bars look at.",
            "path": [{"length_m": PATH_M}],
            "distance_m": WAY_M,
            "speed_mps": SPEED_MPS,
            "crossfall_pct": rig.control.crossfall_pct,
            "direction": "against" if rig.control.against_chainage else "with",
        }
        | beside
    )


def _beside(rig: Rig, side: Side) -> dict[str, Any]:
    bar, end = rig.bars[side], rig.end(side)
    kind = "strip" if bar.turned else KINDS.get(end.guide, "string")
    height = 0.0 if kind == "strip" else STANDS_MM
    clearance = bar.above_mm - height
    if not 250 <= clearance <= 1200:
        raise RigError(
            f"rig '{rig.name}': bars.{side}.above_mm = {bar.above_mm:g} leaves a clearance of "
            f"{clearance:g} mm over the simulated {kind}; 250 to 1200 is right"
        )
    return {
        "kind": kind,
        "clearance_mm": clearance,
        "height_mm": height,
        "width_mm": end.edge_width_mm,
    }
