"""Watches for motion that was not commanded, that was and did not come, and that cannot be. SI."""

from __future__ import annotations

import math
from collections.abc import Sequence

EQUAL_CHANCE = 1e-6  # for each element; more than half of them must do it at once
FEWEST = 3  # equal readings: fewer prove nothing, whatever the blade did meanwhile
MOVE_S = 0.3  # s; longer than a stone lifts a track
MOVE_STILL = 0.015  # m/s; standing on idling tracks
MOVE_BY_SPEED = 0.30  # m/s per m/s; steepest fall of ground under the tracks, 1 in 3.3
ANSWER_FROM = 0.010  # m; the ground alone does not keep a led end this far off
ANSWER_RATE = 0.001  # m/s; nothing is asked for
ANSWER_S = 1.5  # s, and
ANSWER_WAY = 0.025  # m of motion asked for, before an answer is missed
ANSWER_SHARE = 0.2  # of that motion: less is no answer
JUMP = 0.015  # m; more than the echoes' noise and the blade's swing may put between two sightings
JUMP_BY_ROOT = 0.015  # m per root of a metre driven unseen: ISO 8608 class D wanders 14 mm in 1 m


class MoveWatch:
    """True while an end has long been moving faster than the ground can make it."""

    STATE = ("over_s",)

    def __init__(self) -> None:
        self.over_s = 0.0

    def reset(self) -> None:
        """Still."""
        self.over_s = 0.0

    def update(self, dt: float, rate: float, speed: float) -> bool:
        """rate: motion that neither command nor ground explains, m/s."""
        limit = MOVE_STILL + MOVE_BY_SPEED * abs(speed)
        self.over_s = self.over_s + dt if abs(rate) > limit else 0.0
        return self.over_s > MOVE_S


class AnswerWatch:
    """True when an end that is commanded towards its target does not come nearer to it."""

    STATE = ("over_s", "asked", "began", "carried", "relative")

    def __init__(self) -> None:
        self.over_s = self.asked = self.began = self.carried = 0.0
        self.relative = False

    def reset(self) -> None:
        """Nothing asked for."""
        self.over_s = self.asked = self.carried = 0.0

    def update(
        self, dt: float, rate: float, error: float | None, ground: float = 0.0, *,
        relative: bool = False,
    ) -> bool:  # fmt: skip
        """rate: what the oil should be doing by now, m/s; error of the end, m; ground: the rate at
        which the machine's pitching is seen to move the end, m/s; relative: what the error is
        against, and with a change of that all begins anew."""
        changed, self.relative = relative is not self.relative, relative
        if changed or error is None or abs(error) < ANSWER_FROM or abs(rate) < ANSWER_RATE:
            self.reset()
            return False
        if self.over_s == 0.0:
            self.began = abs(error)
        self.over_s += dt
        towards = -1.0 if error > 0.0 else 1.0
        self.asked += dt * towards * rate
        self.carried -= dt * towards * ground
        if self.asked < ANSWER_WAY or self.over_s < ANSWER_S:
            return False
        if self.began - abs(error) + self.carried >= ANSWER_SHARE * self.asked:
            self.reset()  # it answers: watch the next stretch
            return False
        return True


class StuckWatch:
    """True when most elements of a bar repeat a range that should have changed.

    Only while the blade moves: standing still, a coarse or filtered element rightly says the same
    again and again. Then either is enough, for each element:
    - its noise is at least half a step, and it has repeated itself as often as that noise does once
      in a million times;
    - by valves and gyros the bar has risen and fallen by more, since the first of its equal ranges,
      than steps, noise and the ground's own wandering can hide.
    """

    STATE = ("base", "low", "high", "way", "seen")

    def __init__(self, elements: int, step_m: float, noise_m: float) -> None:
        self.most = equal_readings(step_m, noise_m)
        self.hidden = 2.0 * step_m + 4.0 * noise_m + JUMP
        self.base = [0] * elements  # equal readings that do not count: the blade stood
        self.seen = [0] * elements
        self.low, self.high, self.way = [0.0] * elements, [0.0] * elements, [0.0] * elements

    def update(self, same: Sequence[int], *, moves: bool, moved: float, forward: float) -> bool:
        """same: equal readings in a row by element; moved: known rise of the bar so far, m;
        forward: way of this tick, m."""
        stuck, way, low, high = 0, abs(forward), self.low, self.high
        for k, count in enumerate(same):
            if not moves or count < self.seen[k] or not count:
                self.base[k] = 0 if moves else count
                low[k] = high[k] = moved
                self.way[k] = way
            else:
                self.way[k] += way
                if moved < low[k]:
                    low[k] = moved
                elif moved > high[k]:
                    high[k] = moved
            self.seen[k] = count
            equal = count - self.base[k]
            if equal >= self.most:
                stuck += 1
            elif equal >= FEWEST:
                stuck += high[k] - low[k] > self._hidden(self.way[k])
        return stuck * 2 > len(same)

    def _hidden(self, way: float) -> float:
        """How far a bar may rise and fall over so much way before equal ranges are odd, m."""
        return self.hidden + JUMP_BY_ROOT * math.sqrt(way)


def equal_readings(step_m: float, noise_m: float) -> float:
    """How many readings in a row are equal once in a million times; infinite for coarse elements.

    Two readings with noise of one sigma differ by a normal d of sqrt(2) sigma; at steps of q they
    are equal with the chance of max(0, 1 - |d| / q) (uniform phase), in closed form below.
    """
    if noise_m < 0.5 * step_m:
        return math.inf
    s = math.sqrt(2.0) * noise_m / step_m
    tail = 1.0 - math.exp(-0.5 / (s * s))
    chance = math.erf(1.0 / (s * math.sqrt(2.0))) - s * math.sqrt(2.0 / math.pi) * tail
    return math.ceil(math.log(EQUAL_CHANCE) / math.log(chance))


class JumpWatch:
    """True when a reference is found again where the blade's own motion cannot have put it."""

    STATE = ("height", "moved", "way")

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """No reference seen yet."""
        self.height: float | None = None
        self.moved = self.way = 0.0

    def update(self, forward: float, moved: float, height: float | None) -> bool:
        """forward: way of this tick, m; moved: known rise of the bar so far, m; height over it."""
        before, self.way = self.way, self.way + abs(forward)
        if height is None:
            return False
        last = self.height
        gone = 0.0 if last is None else height - last - (moved - self.moved)
        self.height, self.moved, self.way = height, moved, 0.0
        return abs(gone) > JUMP + JUMP_BY_ROOT * math.sqrt(before)
