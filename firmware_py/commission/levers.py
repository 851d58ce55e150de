"""Is a hand on each lever seen, either way, and not seen when it is off? Stores nothing.

An override that is not sensed lets the automatic work against the hand: so each end and each way
is tried before the first run, and after every work on levers and switches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.samples import DriverSample
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.procedure import Given, Steps, until_said
from firmware_py.guard.faults import AGE
from firmware_py.messages import Side
from firmware_py.settings import Rig

OFF = (
    "Engine off, key out, blade on its supports: the levers are moved, no oil may flow. "
    "Hands off both levers."
)
UNDER_PRESSURE = (
    "A pressure switch needs oil: blade on the ground, nobody near, engine at idle. THE BLADE MAY "
    "MOVE with the lever. Hands off both levers."
)
HOLD = "Move the {end} lever to {way}, the least way that moves oil, and hold it there."
LET_GO = "Let go of the {end} lever."
WAYS = ("raise", "lower")


class Hands:
    """What the driver's inputs said last, and when."""

    def __init__(self, device: str) -> None:
        self._device = device
        self._heard_s = -math.inf
        self.on: dict[Side, bool] = {}

    def __call__(self, given: Given) -> None:
        """One step."""
        for sample in given.samples:
            if isinstance(sample, DriverSample) and sample.device == self._device:
                self._heard_s = sample.time_s
                self.on = {Side.LEFT: sample.left_hand, Side.RIGHT: sample.right_hand}

    def look(self, now_s: float) -> dict[Side, bool]:
        """Both hands; CommissionError where the inputs are silent."""
        if now_s - self._heard_s > AGE["driver"]:
            words = f"{self._device} gives no samples: look at its supply, cable and pins."
            raise CommissionError(words)
        return self.on


def lever_steps(rig: Rig) -> Steps[tuple[str, ...]]:
    """What is wrong, in sentences; nothing when all is right. Moves no valve."""
    hands = Hands(rig.driver.device)
    shared = bool(getattr(rig.driver, "hand_pins", ()))
    first = UNDER_PRESSURE if getattr(rig.driver, "sensing", "") == "pressure" else OFF
    given = yield from until_said(first, "ready", hands, act="let go")
    wrong = [*_stuck(hands.look(given.now_s), "before a lever was touched")]
    for end in Side:
        for way in WAYS:
            words = HOLD.format(end=end, way=way)
            given = yield from until_said(words, "ready", hands, act=f"hold {end}")
            wrong += _held(hands.look(given.now_s), end, way, shared=shared)
            words = LET_GO.format(end=end)
            given = yield from until_said(words, "ready", hands, act="let go")
            wrong += _stuck(hands.look(given.now_s), f"after the {end} lever was let go")
    return tuple(dict.fromkeys(wrong))


def _stuck(on: dict[Side, bool], when: str) -> Iterator[str]:
    for end in Side:
        if on[end]:
            yield f"{end} lever: a hand is seen {when}. Its switch is stuck or a wire is broken."


def _held(on: dict[Side, bool], end: Side, way: str, *, shared: bool) -> Iterator[str]:
    if not on[end]:
        yield (
            f"{end} lever: a hand that moves it to {way} is not seen. Look at its switch, its "
            "wires and sensing in [driver]; until then switch the automatic off before using it."
        )
    if on[end.other] and not shared:
        yield f"{end} lever: the {end.other} hand is seen as well. Are the two changed over?"
