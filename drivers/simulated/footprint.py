"""The ground's first arrival over each element's footprint, for a whole frame of a bar at once.

Positions in machine axes: forward, left. The 13 points lie about the foot of the square from the
element to the mean plane, out to where the beam still reaches all round. Ranges are slant, m.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.simulated.path import Design, Frame
from drivers.simulated.pose import Pose, Vec
from drivers.simulated.reference import BarTruth
from drivers.simulated.surface import Surface

LEAST_RADIUS = 0.02  # m of a footprint, however the blade leans
MOST_DROP = 4.0  # m: from higher up, no footprint grows any further
WAY_M = 0.2  # of the machine within one frame, at most


def element_offsets(bar: BarTruth) -> list[float]:
    """Positions of the elements along the bar, right (or rear) to left (or front), m."""
    return [(i - 0.5 * (bar.elements - 1)) * bar.spacing_m for i in range(bar.elements)]


class Footprint:
    """Ground (or finished strip) under a bar."""

    def __init__(
        self, bar: BarTruth, design: Design, surface: Surface, mean_m: float, most_m: float
    ) -> None:
        """`mean_m`: of the surface above design; `most_m`: the height at which it is scraped."""
        self._bar, self._design, self._surface = bar, design, surface
        self._mean, self._most = mean_m, most_m
        ring = [(0.0, 0.0)]
        for r, turn in ((0.5, 0.0), (1.0, math.pi / 6.0)):
            angles = [turn + k * math.pi / 3.0 for k in range(6)]
            ring += [(r * math.cos(a), r * math.sin(a)) for a in angles]
        self._rows = np.array([
            (f, w, f * f + w * w, y, i * bar.interval_s, 1.0)
            for i, y in enumerate(element_offsets(bar)) for f, w in ring
        ]).T.copy()  # fmt: skip
        self._shape = (bar.elements, len(ring))
        half_bar = 0.5 * (bar.elements - 1) * bar.spacing_m
        reach = half_bar + MOST_DROP * math.tan(bar.half_angle_rad) + WAY_M
        self._window = surface.about(reach, bar.elements * len(ring))

    def ranges(self, mid: Vec, pose: Pose, frame: Frame, along_bar: Vec) -> list[float]:
        """Slant range by element, the bar's middle at `mid` when element 0 fires."""
        ground, design = self._surface, self._design
        gf = design.slope(frame, pose.psi)
        gl = design.slope(frame, pose.psi + 0.5 * math.pi)
        z0 = design.height(frame.s, frame.n)
        drop = max(mid[2] - z0 - self._mean, 0.05)
        lean = math.hypot(gf + pose.pitch, gl - pose.roll)
        open_rad = max(self._bar.half_angle_rad - lean, 0.0)
        r = max(min(drop, MOST_DROP) * math.tan(open_rad), LEAST_RADIUS)
        steep = 1.0 + gf * gf + gl * gl
        ff, fl = drop * gf / steep, drop * gl / steep
        c, s, v = math.cos(pose.psi), math.sin(pose.psi), pose.speed
        ox, oy = mid[0] + ff * c - fl * s, mid[1] + ff * s + fl * c
        dx, dy = ground.dx, ground.dy
        first_x, first_y = self._window.corner(ox, oy)
        ox, oy = ox / dx - first_x, oy / dy - first_y
        bf, bl = along_bar[0] * c + along_bar[1] * s, along_bar[1] * c - along_bar[0] * s
        matrix = np.array([
            [r * c / dx, -r * s / dx, 0.0, along_bar[0] / dx, v * c / dx, ox],
            [r * s / dy, r * c / dy, 0.0, along_bar[1] / dy, v * s / dy, oy],
            [-gf * r, -gl * r, 0.0, along_bar[2] - gf * bf - gl * bl, -gf * v,
             mid[2] - z0 - gf * ff - gl * fl],
            [2.0 * r * ff, 2.0 * r * fl, r * r, 0.0, 0.0, ff * ff + fl * fl],
        ])  # fmt: skip
        rows = matrix.dot(self._rows)
        rough = self._window.heights(rows[:2])
        rough += self._mean
        np.minimum(rough, self._most, out=rough)
        down = rows[2] - rough
        square = rows[3] + down * down
        least = np.minimum.reduce(square.reshape(self._shape), axis=1)
        nearest: list[float] = np.sqrt(least).tolist()
        return nearest
