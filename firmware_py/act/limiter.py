"""The last thing before the valves. It does not trust the controller.

Command -1..1, > 0 raises. Whatever it is handed, what leaves it is finite, within the cap, no
further from the last command than a person can react to, and neutral when not allowed or late.
"""

from __future__ import annotations

import math

MAX_STEP = 0.35  # of full command per 10 ms, away from neutral: across the overlap, not to full
STEP_S = 0.01  # s; the time that MAX_STEP is for
MAX_GAP = 0.05  # s; after a longer gap between two calls the command is neutral once
NEUTRAL = (0.0, 0.0)


class Limiter:
    """Limits by value, by step and by time. `update` gives (left, right)."""

    STATE = ("left", "right", "last_s")

    def __init__(self, up: float, down: float, most: float = MAX_STEP) -> None:
        """most: step per STEP_S; infinite for on/off valves, which have none to make."""
        if not (0.0 < up <= 1.0 and 0.0 < down <= 1.0):
            raise ValueError(f"caps {up} up and {down} down must lie above 0 and up to 1")
        if not most > 0.0:
            raise ValueError(f"a step of {most} is none; more than 0 is right")
        self.up, self.down, self.most = up, down, most
        self.left = self.right = 0.0
        self.last_s = -math.inf

    def reset(self) -> None:
        """Neutral."""
        self.left = self.right = 0.0
        self.last_s = -math.inf

    def update(self, now_s: float, left: float, right: float, allowed: bool) -> tuple[float, float]:
        """The commands that may go out now."""
        gap = now_s - self.last_s
        if not (allowed is True and math.isfinite(left) and math.isfinite(right)):
            return self._neutral(now_s)
        if not 0.0 < gap <= MAX_GAP:
            return self._neutral(now_s)
        step = self.most * gap / STEP_S
        self.left = self._limit(left, self.left, step)
        self.right = self._limit(right, self.right, step)
        self.last_s = now_s
        return self.left, self.right

    def _neutral(self, now_s: float) -> tuple[float, float]:
        self.left = self.right = 0.0
        self.last_s = now_s if math.isfinite(now_s) else -math.inf
        return NEUTRAL

    def _limit(self, wanted: float, last: float, step: float) -> float:
        value = min(max(wanted, -self.down), self.up)
        # towards neutral there is no step limit: shutting is always allowed
        if value >= 0.0:
            return min(value, max(last, 0.0) + step)
        return max(value, min(last, 0.0) - step)
