"""A rigid machine on two tracks, with the blade ahead of them.

Each track is the least-squares line through the raw ground under its contact patch. The tracks
ride on firm raw ground, not on what the blade has just cut: the harder case. Pitch > 0 nose
down, roll > 0 left up, heights up. Ends are the driver's left and right.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.dig import Dig, Worked
from drivers.simulated.driver import Person
from drivers.simulated.hydraulics import Hydraulics, LiftMap
from drivers.simulated.path import Design, Frame
from drivers.simulated.pose import Pose
from drivers.simulated.reference import RigTruth, TracksTruth
from drivers.simulated.soil import Box
from drivers.simulated.surface import Floats, Surface

STEP_S = 0.010  # of the physics: a tenth of the valves' dead time and lag


class Machine:
    """Moves the tracks, settles the body on the ground, carries the blade."""

    def __init__(
        self, rig: RigTruth, design: Design, ground: Surface, mean_m: float, sign: float
    ) -> None:
        self.rig, self.design, self.sign = rig, design, sign
        self._ground, self._mean = ground, mean_m
        self._points = contact_points(rig)
        reach = float(np.hypot(*self._points[:2]).max())
        self._window = ground.about(reach, self._points.shape[1])
        self._weights = contact_weights(rig.tracks)
        self.map = LiftMap(rig.blade.width_m, rig.blade.cylinder_half_m)
        self.valves = Hydraulics(rig, STEP_S)
        self.box = Box(rig.blade.width_m, rig.blade.box_m3)
        self.dig = None
        if isinstance(ground, Worked):
            self.dig = Dig(ground, mean_m, rig.blade.width_m, rig.blade.box_m3)
        self._half = 0.5 * rig.blade.width_m
        self._ahead, self._gauge = rig.blade.ahead_m, rig.tracks.gauge_m
        self._gyration = rig.tracks.length_m / math.sqrt(12.0)
        self.x = self.y = self.psi = self.yaw_rate = self.speed = self.travelled = 0.0
        self._slip = self._slip_raw = 0.0
        self.columns = (0.0, 0.0, 0.0)  # raw ground above design: left, middle, right
        self.ends: tuple[Frame, Frame]
        self.lifts = (0.0, 0.0)  # of the blade ends
        self.z_ends = (0.0, 0.0)
        self._errors = (0.0, 0.0)
        self.body_roll = 0.0
        self.pose: Pose

    def stand(self, t: float, s: float, lateral_m: float, above_m: float = 0.0) -> None:
        """Place the machine at rest, both ends above the design by above_m, at chainage s.

        The blade's middle stands `lateral_m` to the left of the path, as the driver sees it.
        """
        path = self.design.path
        crab = -self._ahead * path.curvature(s) * self.sign
        self.psi = path.heading(s) + (0.0 if self.sign > 0.0 else math.pi) + crab
        bx, by = path.point(s, lateral_m * self.sign)
        self.x = bx - self._ahead * math.cos(self.psi)
        self.y = by - self._ahead * math.sin(self.psi)
        self.valves.lift = [0.0, 0.0]
        self._settle(t, s)
        left, right = self._errors
        self.valves.lift = list(self.map.cylinders(above_m - left, above_m - right))
        self._settle(t, s)

    def begin(self, t: float) -> None:
        """Time begins at t, at rest."""
        self._settle(t, self.pose.s)

    def step(self, t: float, person: Person, slip_noise: float) -> None:
        """Advance by one step, ending at t."""
        dt, tracks = STEP_S, self.rig.tracks
        asked = person.step(t, dt, self.design.path.curvature(self.pose.s) * self.sign)
        if person.backs_by_eye and person.speed < 0.0:
            asked = person.back(*self._beside_path())
        self.yaw_rate += (asked - self.yaw_rate) * min(dt / tracks.yaw_lag_s, 1.0)
        self.speed = v = person.speed * (1.0 if self.dig is None else self.dig.pace)
        if v == 0.0:
            self.yaw_rate = 0.0
        moved = v * dt
        share = abs(moved) / tracks.slip_length_m
        kick = tracks.slip_rad * math.sqrt(2.0 * share) * slip_noise
        self._slip_raw += kick - share * self._slip_raw
        self._slip += (self._slip_raw - self._slip) * min(abs(moved) / tracks.slip_smooth_m, 1.0)
        course = self.psi + 0.5 * self.yaw_rate * dt + self._slip
        self.x += moved * math.cos(course)
        self.y += moved * math.sin(course)
        self.psi += self.yaw_rate * dt
        self.travelled += moved
        self.valves.step(t - dt, person.hands)
        self._settle(t, self.pose.s)
        person.seen_chainage = self.pose.s
        if person.by_eye:
            person.see(t, dt, -0.5 * self.sign * (self.ends[0].n + self.ends[1].n))
        left, right = self._errors
        if self.dig is not None:
            self.dig.pass_over(self._end_points(), (left, right), moved, dt)
        else:
            self.box.pass_over(self.columns, (left, 0.5 * (left + right), right), moved)

    @property
    def graded(self) -> tuple[float, float, float]:
        """As-graded heights above design: left, middle, right, m."""
        return self.box.graded if self.dig is None else self.dig.graded

    def _end_points(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """World x, y of both ends of the edge."""
        reach = self._half * math.cos(self.pose.roll)
        across, along = reach * math.sin(self.psi), reach * math.cos(self.psi)
        x, y = self.pose.x, self.pose.y
        return (x - across, y + along), (x + across, y - along)

    def _beside_path(self) -> tuple[float, float]:
        """Left of the path (m) and turned left of it (rad), as the driver sees it."""
        frame = self.design.path.locate(self.x, self.y, self.pose.s - self.sign * self._ahead)
        turned = self.psi - frame.theta - (0.0 if self.sign > 0.0 else math.pi)
        return self.sign * frame.n, turned

    def errors(self) -> tuple[float, float]:
        """Height of each end of the cutting edge above the design surface where it is, m."""
        return self._errors

    def _settle(self, t: float, near_s: float) -> None:
        """Put the tracks on the ground and the blade on the machine."""
        c, s = math.cos(self.psi), math.sin(self.psi)
        left, slope_l, right, slope_r = self._track_lines(c, s, near_s)
        heave, slope = 0.5 * (left + right), 0.5 * (slope_l + slope_r)
        self.body_roll = roll = (left - right) / self._gauge
        self.lifts = lift_l, lift_r = self.map.ends(*self.valves.lift)
        middle = heave + self._ahead * slope
        zl, zr = middle + self._half * roll + lift_l, middle - self._half * roll + lift_r
        pitch = -math.atan(slope)
        tilt = math.asin((zl - zr) / (2.0 * self._half * math.cos(pitch)))
        bx, by = self.x + self._ahead * c, self.y + self._ahead * s
        reach = self._half * math.cos(tilt)
        locate = self.design.path.locate
        blade = locate(bx, by, near_s)
        fl = locate(bx - reach * s, by + reach * c, blade.s)
        fr = locate(bx + reach * s, by - reach * c, blade.s)
        height = self.design.height
        self.ends, self.z_ends = (fl, fr), (zl, zr)
        self._errors = zl - height(fl.s, fl.n), zr - height(fr.s, fr.n)
        self.pose = Pose(t, bx, by, 0.5 * (zl + zr), self.psi, pitch, tilt, blade.s, self.speed)

    def _track_lines(self, c: float, s: float, near_s: float) -> tuple[float, ...]:
        """Mean height and slope of the left, then of the right track."""
        ground, h = self._ground, 0.5 * self._gauge
        dx, dy = ground.dx, ground.dy
        first_x, first_y = self._window.corner(self.x, self.y)
        x, y = self.x / dx - first_x, self.y / dy - first_y
        to_cells = np.array((c / dx, -s / dx, x, s / dy, c / dy, y)).reshape(2, 3)
        # the arrays' own dot: the operator and numpy's function take their time over small ones
        rough = self._window.heights(to_cells.dot(self._points))
        ml, sl, mr, sr, a, b, d = self._weights.dot(rough).tolist()
        mean = self._mean
        self.columns = (a + mean, b + mean, d + mean)
        near = near_s - self.sign * self._ahead
        r = self._gyration
        ahead, across = r * c, r * s
        hl, gl = self._design_line(self.x - h * s, self.y + h * c, ahead, across, near)
        hr, gr = self._design_line(self.x + h * s, self.y - h * c, ahead, across, near)
        return hl + ml + mean, gl + sl, hr + mr + mean, gr + sr

    def _design_line(
        self, x: float, y: float, dx: float, dy: float, near_s: float
    ) -> tuple[float, float]:
        """Mean height and slope of the design surface under the track whose middle is x, y.

        Two points at the contact's radius of gyration, dx, dy ahead and behind, give both exactly
        up to second order.
        """
        at = self.design.height_at
        a, b = at(x + dx, y + dy, near_s), at(x - dx, y - dy, near_s)
        return 0.5 * (a + b), 0.5 * (a - b) / self._gyration


def contact_points(rig: RigTruth) -> Floats:
    """3 x N: forward, left, 1 of the support points of both tracks, then three blade columns."""
    t, b = rig.tracks, rig.blade
    along = np.linspace(-0.5 * t.length_m, 0.5 * t.length_m, t.points_along)
    across = np.linspace(-0.5, 0.5, t.points_across) * t.width_m * (1.0 - 1.0 / t.points_across)
    points = [
        (x, side * 0.5 * t.gauge_m + y) for side in (1.0, -1.0) for x in along for y in across
    ]
    points += [(b.ahead_m, y) for y in (0.5 * b.width_m, 0.0, -0.5 * b.width_m)]
    return np.array([(x, y, 1.0) for x, y in points]).T.copy()


def contact_weights(tracks: TracksTruth) -> Floats:
    """7 x N: heights to mean and slope of the left and right track, and the three columns."""
    along = np.linspace(-0.5, 0.5, tracks.points_along) * tracks.length_m
    x = np.repeat(along, tracks.points_across)
    n = x.size
    weights = np.zeros((7, 2 * n + 3))
    for k in (0, 1):
        span = slice(k * n, (k + 1) * n)
        weights[2 * k, span] = 1.0 / n
        weights[2 * k + 1, span] = x / np.sum(x * x)
    weights[4:, 2 * n :] = np.eye(3)
    return weights
