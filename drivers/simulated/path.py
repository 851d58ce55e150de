"""Plan alignment from straights and arcs, and the design surface along it.

Chainage s (m) along the alignment, offset n (m) to its left, radius and curvature > 0 to the
left, heading theta from world x, anticlockwise. Design height = level + grade s + crossfall n:
crossfall > 0 falls to the right, looking up chainage. Before its start and past its end the
alignment goes on as its first and last segments do.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence

import msgspec

TURN = 2.0 * math.pi


class Segment(msgspec.Struct, frozen=True, gc=False):
    """A straight or an arc: first chainage, length, start point, start heading, curvature."""

    s: float
    length: float
    x: float
    y: float
    theta: float
    kappa: float
    cos: float  # of the start heading
    sin: float


class Frame(msgspec.Struct, frozen=True, gc=False):
    """Where a point lies: chainage, offset left, and there the path's heading and curvature."""

    s: float
    n: float
    theta: float
    kappa: float


class Path:
    """An alignment of (length m, radius m) segments; radius 0 is a straight."""

    def __init__(self, segments: Sequence[tuple[float, float]]) -> None:
        if not segments:
            raise ValueError("a path needs at least one segment")
        s = x = y = theta = 0.0
        self.segments: list[Segment] = []
        for length, radius in segments:
            if not (length > 0.0 and math.isfinite(length) and math.isfinite(radius)):
                raise ValueError(f"path segment ({length}, {radius}) needs a length above 0")
            seg = Segment(s, length, x, y, theta, 1.0 / radius if radius else 0.0,
                          math.cos(theta), math.sin(theta))  # fmt: skip
            self.segments.append(seg)
            x, y, theta = _along(seg, length)
            s += length
        self.length = s
        self._later = [seg.s for seg in self.segments[1:]]
        first = self.segments[0]
        self.only = first if len(self.segments) == 1 and not first.kappa else None

    def segment(self, s: float) -> Segment:
        """The segment that holds chainage s."""
        return self.segments[bisect_right(self._later, s)]

    def heading(self, s: float) -> float:
        """Heading of the path at chainage s, rad, not wrapped."""
        seg = self.segment(s)
        return seg.theta + seg.kappa * (s - seg.s)

    def curvature(self, s: float) -> float:
        """Curvature at chainage s, 1/m, left > 0."""
        return self.segment(s).kappa

    def point(self, s: float, n: float = 0.0) -> tuple[float, float]:
        """World x, y of chainage s and offset n."""
        x, y, cos, sin = self.along(s)
        return x - n * sin, y + n * cos

    def along(self, s: float) -> tuple[float, float, float, float]:
        """World x, y of chainage s on the path, and cosine and sine of its heading there."""
        seg = self.segments[bisect_right(self._later, s)]
        d = s - seg.s
        if seg.kappa == 0.0:
            return seg.x + d * seg.cos, seg.y + d * seg.sin, seg.cos, seg.sin
        x, y, theta = _along(seg, d)
        return x, y, math.cos(theta), math.sin(theta)

    def locate(self, x: float, y: float, near_s: float) -> Frame:
        """Project a world point that lies near chainage `near_s`."""
        seg = self.only
        if seg is not None:  # one straight: the common case, fast
            dx, dy, cos, sin = x - seg.x, y - seg.y, seg.cos, seg.sin
            return Frame(dx * cos + dy * sin, dy * cos - dx * sin, seg.theta, 0.0)
        i, last = bisect_right(self._later, near_s), len(self.segments) - 1
        for _ in range(3):
            seg = self.segments[i]
            frame = _project(seg, x, y, near_s)
            if frame.s < seg.s and i > 0:
                i -= 1
            elif frame.s > seg.s + seg.length and i < last:
                i += 1
            else:
                break
        return frame


class Design:
    """The surface to be built, over a path."""

    def __init__(self, path: Path, level: float, grade: float, crossfall: float) -> None:
        self.path = path
        self.level, self.grade, self.crossfall = level, grade, crossfall

    def height(self, s: float, n: float) -> float:
        """Design height, m."""
        return self.level + self.grade * s + self.crossfall * n

    def height_at(self, x: float, y: float, near_s: float) -> float:
        """Design height at a world point near chainage `near_s`, m."""
        seg = self.path.only
        if seg is not None:  # as `locate` has it, without a frame
            dx, dy, cos, sin = x - seg.x, y - seg.y, seg.cos, seg.sin
            return self.height(dx * cos + dy * sin, dy * cos - dx * sin)
        frame = self.path.locate(x, y, near_s)
        return self.height(frame.s, frame.n)

    def slope(self, frame: Frame, heading: float) -> float:
        """Rise per metre of plan distance at a point, in the direction of a world heading."""
        psi = heading - frame.theta
        along = self.grade / (1.0 - frame.n * frame.kappa)
        return along * math.cos(psi) + self.crossfall * math.sin(psi)


def _along(seg: Segment, d: float) -> tuple[float, float, float]:
    """Point and heading at distance d into a segment."""
    theta = seg.theta + seg.kappa * d
    if seg.kappa == 0.0:
        return seg.x + d * math.cos(theta), seg.y + d * math.sin(theta), theta
    r = 1.0 / seg.kappa
    x = seg.x + r * (math.sin(theta) - math.sin(seg.theta))
    return x, seg.y - r * (math.cos(theta) - math.cos(seg.theta)), theta


def _project(seg: Segment, x: float, y: float, near_s: float) -> Frame:
    dx, dy = x - seg.x, y - seg.y
    cos, sin = seg.cos, seg.sin
    if seg.kappa == 0.0:
        return Frame(seg.s + dx * cos + dy * sin, dy * cos - dx * sin, seg.theta, 0.0)
    r = 1.0 / seg.kappa
    cx, cy = dx + r * sin, dy - r * cos  # from the arc's centre
    side = 1.0 if r > 0.0 else -1.0
    turned = math.atan2(cy, cx) + side * 0.5 * math.pi - seg.theta
    guess = (near_s - seg.s) * seg.kappa
    turned += TURN * round((guess - turned) / TURN)
    n = side * (abs(r) - math.hypot(cx, cy))
    return Frame(seg.s + turned * r, n, seg.theta + turned, seg.kappa)
