"""Puts a world's references and ground under a rig's bars."""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.air import Air
from drivers.simulated.bar import SimulatedBar, View
from drivers.simulated.dig import Worked, diggable
from drivers.simulated.footprint import Footprint
from drivers.simulated.heaps import Heaps, spill, stones
from drivers.simulated.path import Design
from drivers.simulated.reference import BarTruth, RigTruth
from drivers.simulated.scene import EdgeLine, StringLine, Strip, Target
from drivers.simulated.surface import Surface, flat, iso_8608, roughness
from drivers.simulated.world import Reference, World

Gens = dict[str, np.random.Generator]

BEYOND_M = 6.0  # m of machine and blade past both ends of the path
STRIP_M = (-0.8, -0.4, 0.0, 0.4, 0.8)  # lines of the strip over which its mean is taken
UNDER_STRING_M = 0.08  # humps nearer than this to the string are scraped away when it is set
UNDER_EDGE_M = 0.04  # and nearer than this to the top of an edge


def build_ground(world: World, seed: int) -> Surface:
    """The raw ground: a class, a measured grid, or flat."""
    if isinstance(world.ground, Surface):
        ground = world.ground
    else:
        ground = flat() if world.ground == "flat" else iso_8608(seed, world.ground)
    return _to_dig(world, ground) if world.soil else ground


def _to_dig(world: World, ground: Surface) -> Worked:
    """The ground as one that stays as it is left; ValueError where the path would meet itself."""
    worked = diggable(ground, flat=world.ground == "flat")
    way = sum(length for length, _ in world.segments) + BEYOND_M
    if way > min(worked.size_x, worked.size_y):
        size = min(worked.size_x, worked.size_y)
        raise ValueError(f"a path of {way - BEYOND_M:g} m with soil meets itself on ground that "
                         f"repeats after {size:g} m; {size - BEYOND_M:g} m at most")  # fmt: skip
    return worked


def raised_by(world: World, design: Design, ground: Surface) -> float:
    """What to add to the grid so that the strip's raw ground lies `ground_mean_m` above design.

    Whoever graded it roughly left soil to cut; a random grid's longest waves know nothing of that.
    """
    along = np.arange(0.0, design.path.length, 0.25).tolist()
    x, y = np.array([design.path.point(s, n) for s in along for n in STRIP_M]).T
    return world.ground_mean_m - float(ground.sample(x, y).mean())


def build_bars(
    world: World,
    rig: RigTruth,
    *,
    design: Design,
    ground: Surface,
    raised_m: float,
    air: Air,
    gens: Gens,
) -> dict[str, SimulatedBar]:
    """The rig's bars, each over its side's reference; ValueError when that is missing."""
    bars: dict[str, SimulatedBar] = {}
    half = 0.5 * rig.blade.width_m
    scenes = dict(zip(("left", "right"), gens["scene"].spawn(2), strict=True))
    for side, bar, ref in (
        ("left", rig.left_bar, world.left),
        ("right", rig.right_bar, world.right),
    ):
        if bar is None:
            continue
        if ref is None:
            raise ValueError(f"the rig has a {side} bar but the world no {side} reference")
        out = (half + bar.outside_m) * world.sign * (1.0 if side == "left" else -1.0)
        view = _view(bar, ref, design, n_ref=out, mean_m=raised_m, ground=ground, gen=scenes[side])
        bars[side] = SimulatedBar(
            side, bar, half_width_m=half, design=design, view=view, air=air,
            gen=gens[f"bar.{side}"], run_s=world.run_s(),
        )  # fmt: skip
    return bars


def _view(
    bar: BarTruth,
    ref: Reference,
    design: Design,
    *,
    n_ref: float,
    mean_m: float,
    ground: Surface,
    gen: np.random.Generator,
) -> View:
    """A reference at offset n_ref, what lies beside it, and the ground beneath."""
    things, rough, shape = gen.spawn(3)
    target: Target
    if ref.kind == "strip":
        target = Strip(design, n_ref)
        texture = Footprint(bar, design, roughness(rough, ref.rough_m), 0.0, math.inf)
        return View(target, stones(design, n_ref, things) if ref.stones else None, texture)
    if ref.kind == "edge":
        target, most = EdgeLine(design, n_ref, ref), ref.height_m - UNDER_EDGE_M
    else:
        target, most = StringLine(design, n_ref, ref, shape), ref.height_m - UNDER_STRING_M
    heaps: Heaps | None = spill(design, n_ref, things) if ref.spill else None
    return View(target, heaps, Footprint(bar, design, ground, mean_m, most))
