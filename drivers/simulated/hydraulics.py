"""Two lift valves on one pump: dead time, overlap, shared flow, lag, asymmetry, lease, stroke.

Proportional, or on/off (solenoid.py).

Command > 0 raises. Cylinders stand inboard at +-a, ends at +-b: a cylinder's lift moves its own
end by (1 + b/a)/2 and the other end by (1 - b/a)/2. Rates are those of the cutting edge when
both ends move together, which are the cylinders' own.
"""

from __future__ import annotations

import math
from collections import deque

from drivers.simulated.reference import RigTruth
from drivers.simulated.solenoid import OnOffValve

LEVER_DEAD_TIME = 0.0  # s: the hand opens its own parallel spool, with only the lag behind it


class LiftMap:
    """The 2 x 2 map between cylinder lifts and blade-end lifts (m)."""

    def __init__(self, width_m: float, cylinder_half_m: float) -> None:
        ratio = 0.5 * width_m / cylinder_half_m
        self.own, self.other = 0.5 * (1.0 + ratio), 0.5 * (1.0 - ratio)
        inverse = cylinder_half_m / (0.5 * width_m)
        self.own_back, self.other_back = 0.5 * (1.0 + inverse), 0.5 * (1.0 - inverse)

    def ends(self, left: float, right: float) -> tuple[float, float]:
        """Blade-end lifts from cylinder lifts."""
        return self.own * left + self.other * right, self.other * left + self.own * right

    def cylinders(self, left: float, right: float) -> tuple[float, float]:
        """Cylinder lifts from blade-end lifts."""
        a, b = self.own_back, self.other_back
        return a * left + b * right, b * left + a * right


def opening(command: float, overlap: float) -> float:
    """Spool opening -1..1 from a command: nothing below the overlap, then linear to full."""
    size = abs(command)
    if not size > overlap:  # also when it is no number
        return 0.0
    size = (min(size, 1.0) - overlap) / (1.0 - overlap)
    return size if command > 0.0 else -size


class Hydraulics:
    """Both valves and cylinders; `lift` is by cylinder, left then right (m)."""

    def __init__(self, rig: RigTruth, step_s: float) -> None:
        v = rig.valves
        self._overlap, self._pump, self.lease_s = v.overlap, v.pump, v.lease_s
        self.dead_s = v.dead_time_s + rig.extra_dead_time_s
        self._up = v.up_mps * rig.valve_speed_factor
        self._down = v.down_mps * rig.valve_speed_factor
        self._stroke = rig.blade.stroke_m
        self._step = step_s
        self._follow = -math.expm1(-step_s / v.lag_s)
        self._mean = 1.0 - self._follow * v.lag_s / step_s  # share of a change within a step
        self._queue: deque[tuple[float, float, float]] = deque()
        self._left = self._right = 0.0
        self._on_off = v.on_off
        self._coils = [OnOffValve(v.pull_in_s, v.let_go_s) for _ in range(2)]
        self._flow = [0.0, 0.0]
        self.lift = [0.0, 0.0]
        self.open = (0.0, 0.0)
        self.shut = [False, False]  # a fault: stuck shut
        self.runaway: list[float | None] = [None, None]  # a fault: m/s whatever is commanded

    def write(self, t: float, left: float, right: float) -> None:
        """A command that reaches the valves at t and the oil a dead time later."""
        queue, start = self._queue, t + self.dead_s
        while queue and queue[-1][0] >= start - 1e-9:
            queue.pop()  # an expiry that this command forestalls
        queue.append((start, left, right))
        queue.append((start + self.lease_s, 0.0, 0.0))

    def step(self, t: float, hands: tuple[float | None, float | None]) -> None:
        """Advance from t by one step; a hand on a lever (-1..1) takes that valve over."""
        a, b = self._switched(t) if self._on_off else self._spools(t)
        a = a if hands[0] is None else opening(hands[0], self._overlap)
        b = b if hands[1] is None else opening(hands[1], self._overlap)
        a = 0.0 if self.shut[0] else a
        b = 0.0 if self.shut[1] else b
        self.open = (a, b)
        asked = abs(a) + abs(b)
        if asked > self._pump:
            a, b = a * self._pump / asked, b * self._pump / asked
        self._move(0, a)
        self._move(1, b)

    def _spools(self, t: float) -> tuple[float, float]:
        """Openings of proportional valves from t on."""
        queue = self._queue
        while queue and queue[0][0] <= t + 1e-9:
            _, self._left, self._right = queue.popleft()
        return opening(self._left, self._overlap), opening(self._right, self._overlap)

    def _switched(self, t: float) -> tuple[float, float]:
        """Mean openings of on/off valves over the step: they switch within it."""
        queue, end, due = self._queue, t + self._step, []
        while queue and queue[0][0] < end - 1e-9:
            due.append(queue.popleft())
        left, right = self._coils
        return (
            left.opening(t, end, [(at, value) for at, value, _ in due]),
            right.opening(t, end, [(at, value) for at, _, value in due]),
        )

    def _move(self, i: int, wanted: float) -> None:
        before = self._flow[i]
        after = before + (wanted - before) * self._follow
        self._flow[i] = after
        mean = before + (wanted - before) * self._mean
        rate = mean * (self._up if mean > 0.0 else self._down)
        forced = self.runaway[i]
        if forced is not None:
            rate = forced
        lift = self.lift[i] + rate * self._step
        self.lift[i] = min(max(lift, -self._stroke), self._stroke)
