"""The simulated person: steers by the cue, 0.7 s late, sees the bend, may take a lever.

Lateral > 0: the cue says that the reference lies to the left, so steer left (yaw rate > 0).
Speed > 0 forward. A lever > 0 raises that end; None is a hand off it.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from drivers.simulated.noise import normals
from drivers.simulated.reference import HumanTruth

LONGEST_REACH = 0.3  # m: a cue beyond this is steered as this
EYE_M = 0.015  # m rms: how well a person judges by eye where the blade runs beside an edge (chosen)
BACK_TURN = 0.5  # rad per m off the middle, of heading when backing (chosen)
BACK_MOST = 0.15  # rad; and no more than that (chosen)
BACK_RATE = 2.0  # 1/m of way, with which that heading is turned to (chosen)
EYE_S = 2.0  # s: how long one such misjudgement lasts (chosen)


class Person:
    """Holds the last steer while no cue is shown."""

    def __init__(self, human: HumanTruth, gen: np.random.Generator, ahead_m: float) -> None:
        self._human, self._ahead = human, ahead_m
        self._noise = normals(gen)
        self._eye_noise = normals(gen.spawn(1)[0])
        self._eye_error = 0.0
        self._sights: deque[tuple[float, float]] = deque()  # when it reaches the hand, and what
        self._sight: float | None = None
        self.by_eye = False  # where no cue is shown, steer by what is seen of the strip's edge
        self.seen_chainage = math.nan  # m, of the edge: a person sees what stands beside it
        self.backs_by_eye = False  # look over the shoulder when reversing, and keep to the strip
        self._cues: deque[tuple[float, float | None]] = deque()
        self._seen: tuple[float, float | None] = (0.0, None)
        self._smooth: float | None = None
        self._steer = 0.0
        self._bend = 0.0
        self._wanted = 0.0
        self._pace = 0.0
        self.enabled = False
        self.hands: tuple[float | None, float | None] = (None, None)
        self.speed = 0.0

    def cue(self, now_s: float, lateral_m: float | None) -> None:
        """Show the steering cue; it reaches the hand after the human delay.

        None: no cue. Then a person told to steer by eye uses what was seen then.
        """
        if lateral_m is not None and not math.isfinite(lateral_m):
            lateral_m = None
        self._cues.append((now_s + self._human.delay_s, lateral_m))

    def drive(self, speed_mps: float) -> None:
        """Want this speed from now on; 0 stops, < 0 reverses."""
        self._wanted = speed_mps

    def enable(self, held: bool) -> None:
        """Hold or drop the enable input."""
        self.enabled = held

    def hand(self, end: str, lever: float | None) -> None:
        """Put a hand on the "left" or "right" lever (-1..1), or take it off (None)."""
        if end not in ("left", "right"):
            raise ValueError(f'end {end!r} is neither "left" nor "right"')
        left, right = self.hands
        self.hands = (lever, right) if end == "left" else (left, lever)

    def see(self, t: float, dt: float, lateral_m: float) -> None:
        """Look at t where the blade runs (strip to the left > 0), with an eye's slow error."""
        keep = dt / EYE_S
        kick = EYE_M * math.sqrt(2.0 * keep) * next(self._eye_noise)
        self._eye_error += kick - keep * self._eye_error
        self._sights.append((t + self._human.delay_s, lateral_m + self._eye_error))

    def back(self, lateral_m: float, turned_rad: float) -> float:
        """Yaw rate when reversing by eye; left of the strip's middle, turned left: both > 0."""
        aim = BACK_TURN * (lateral_m + self._eye_error)
        aim = min(max(aim, -BACK_MOST), BACK_MOST)
        return BACK_RATE * abs(self.speed) * (aim - turned_rad)

    def in_bend(self, curvature: float) -> None:
        """Begin already settled in a bend of this curvature (left > 0)."""
        self._bend = curvature

    def step(self, t: float, dt: float, curvature_ahead: float) -> float:
        """Advance to t; gives the yaw rate asked for (rad/s). Curvature at the bar, left > 0."""
        self._pace_on(dt)
        self._follow_cue(t, dt)
        # seen by eye: to keep a point ahead of the tracks on a bend, turn in as a tractrix does
        moved = self.speed * dt
        self._bend += (curvature_ahead - self._bend) * min(abs(moved) / self._ahead, 1.0)
        return self._steer + self.speed * self._bend

    def _pace_on(self, dt: float) -> None:
        h = self._human
        keep = dt / h.speed_noise_s
        self._pace += -keep * self._pace + math.sqrt(2.0 * keep) * next(self._noise)
        wanted = self._wanted * (1.0 + h.speed_noise * self._pace)
        change = h.accel_mps2 * dt
        self.speed += min(max(wanted - self.speed, -change), change)

    def _follow_cue(self, t: float, dt: float) -> None:
        cues = self._cues
        while cues and cues[0][0] <= t:
            self._seen = cues.popleft()
        while self._sights and self._sights[0][0] <= self._seen[0]:
            self._sight = self._sights.popleft()[1]
        lateral = self._seen[1]
        if lateral is None and self.by_eye:
            lateral = self._sight
        if lateral is None:
            self._smooth = None  # the steer stays as it is
            return
        lateral = min(max(lateral, -LONGEST_REACH), LONGEST_REACH)
        h = self._human
        if self._smooth is None:
            self._smooth = lateral
        trend = (lateral - self._smooth) / h.smooth_s
        self._smooth += trend * dt
        self._steer = h.gain * (self._smooth + h.lead_s * trend)
        if self.speed <= 0.0:
            self._steer = 0.0  # nobody steers to the cue standing still or backing
