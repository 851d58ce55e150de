"""A simulated rig that is what a rig file says, standing at the start of its scene."""

from __future__ import annotations

from drivers.simulated.rig import SimulatedRig
from firmware_py.live.scene import check_simulated, scene_for
from firmware_py.messages import Guide
from firmware_py.settings import Rig
from firmware_py.trial.setup import truth_for, world_for


def simulated(rig: Rig, seed: int = 1) -> SimulatedRig:
    """The rig of a rig file; RigError where it cannot be had."""
    check_simulated(rig)
    scene = scene_for(rig)
    made = SimulatedRig(world_for(scene), truth_for(scene, rig), seed)
    made.person.by_eye = rig.end(rig.control.master).guide is Guide.SURFACE
    return made
