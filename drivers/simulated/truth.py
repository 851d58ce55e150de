"""The truth of a simulated run. Only a scorer may see it.

Ends are the driver's left and right; heights up, errors actual - target, > 0 too high; lateral
> 0: reference to the left of the bar's middle; crossfall > 0: left end up, as the driver sees it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from drivers.simulated.pose import axes

if TYPE_CHECKING:
    from drivers.simulated.bar import SimulatedBar
    from drivers.simulated.machine import Machine


class BarView(NamedTuple):
    """A bar over its reference.

    `clearance_m`: the bar's middle vertically above the reference's point in the bar's own plane;
    `lateral_m`: that point along the bar; `in_view`: some element's beam holds the reference.
    """

    clearance_m: float
    lateral_m: float
    in_view: bool


class Soil(NamedTuple):
    """Sums since the start, m3; cut = filled + carried + spilt."""

    cut_m3: float
    filled_m3: float
    carried_m3: float
    spilt_m3: float


class Truth(NamedTuple):
    """One instant, at the end of the last physics step (at or just past the last read)."""

    time_s: float
    chainage_m: float  # of the middle of the cutting edge
    travelled_m: float  # signed sum, of the track centre
    speed_mps: float
    left_error_m: float  # against the design surface where that end is
    right_error_m: float
    left_string_error_m: float | None  # against the reference as it really stands; None: no bar
    right_string_error_m: float | None
    crossfall: float  # of the cutting edge, square to chainage
    crossfall_target: float
    roll_rad: float  # of the blade
    pitch_rad: float
    yaw_rad: float  # blade against the path in the direction of travel, left > 0
    left_bar: BarView | None
    right_bar: BarView | None
    left_graded_m: float  # as-graded height above the design surface
    right_graded_m: float
    left_lift_m: float  # of the blade ends
    right_lift_m: float
    left_oil: int  # +1 raising, -1 lowering, 0 shut: oil flows only past the overlap
    right_oil: int
    soil: Soil | None = None  # None: the ground does not stay as the blade leaves it


def observe(machine: Machine, bars: dict[str, SimulatedBar]) -> Truth:
    """The truth now."""
    sign, design, pose, dig = machine.sign, machine.design, machine.pose, machine.dig
    left, right = machine.errors()
    target = design.crossfall * sign
    across = abs(machine.ends[0].n - machine.ends[1].n)
    yaw = pose.psi - design.path.heading(pose.s) - (0.0 if sign > 0.0 else math.pi)
    lifts, oil, graded = machine.lifts, machine.valves.open, machine.graded
    views = {side: _view(machine, bar) for side, bar in bars.items()}
    gone = {side: _reference_error(machine, bar) for side, bar in bars.items()}
    return Truth(
        pose.t, pose.s, machine.travelled, machine.speed, left, right,
        left - gone["left"] if "left" in gone else None,
        right - gone["right"] if "right" in gone else None,
        target + (left - right) / across, target, pose.roll, pose.pitch, yaw,
        views.get("left"), views.get("right"),
        graded[0], graded[2], lifts[0], lifts[1],
        _direction(oil[0]), _direction(oil[1]),
        None if dig is None else Soil(dig.cut_m3, dig.filled_m3, dig.carried_m3, dig.spilt_m3),
    )  # fmt: skip


def _direction(flow: float) -> int:
    return (flow > 0.0) - (flow < 0.0)


def _reference_error(machine: Machine, bar: SimulatedBar) -> float:
    """How far the reference stands above its nominal height beside the blade, m."""
    target, s = bar.view.target, machine.pose.s
    return target.stands(s)[1] - machine.design.height(s, target.n_ref) - target.height_m


def _view(machine: Machine, bar: SimulatedBar) -> BarView:
    pose, path, target = machine.pose, machine.design.path, bar.view.target
    directions = axes(pose)
    ahead, left, _ = directions
    mid = bar.middle(pose, directions)
    here = path.locate(mid[0], mid[1], pose.s)
    cos, sin = math.cos(here.theta), math.sin(here.theta)
    # the blade's forward and left directions along and to the left of the path
    fs, fn = ahead[0] * cos + ahead[1] * sin, ahead[1] * cos - ahead[0] * sin
    ls, ln = left[0] * cos + left[1] * sin, left[1] * cos - left[0] * sin
    s, lateral, n, z = here.s, 0.0, here.n, mid[2]
    for _ in range(2):  # where the reference passes through the plane ahead = 0
        n, z = target.stands(s)
        dn, dz = n - here.n, z - mid[2]
        ds = -(dn * fn + dz * ahead[2]) / fs
        s = here.s + ds
    lateral = ds * ls + dn * ln + dz * left[2]
    seen = bar.faults.find("reference_gone") is None and bar.sees(pose, directions, mid)
    return BarView(mid[2] - z, lateral, seen)
