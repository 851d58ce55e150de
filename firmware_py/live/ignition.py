"""The ignition's input, as the keeper looks at it: off means neutral at once, then the end.

The computer lives on for a while by its hold-up supply; in that time the loop goes neutral, the
recording is closed, and the service's own files then switch the computer off.
"""

from __future__ import annotations

from enum import Enum

from drivers.inputs import Pin

STEADY_S = 0.15  # of off before it counts: two looks of the keeper, and longer than a bounce
UNSEEN_S = 120.0  # an ignition never seen on ends the run only then: time to log in and stop it

PATIENCE_S = 1.0  # for the loop to heed that the run has to end
BACK = "The ignition is on again. Automatic must be engaged anew."
UNSEEN = (
    f"The ignition has been off since the start: after {UNSEEN_S:.0f} s the computer shuts down. "
    "Look at the wire of its input."
)


class Due(Enum):
    """What the run has to do now."""

    NOTHING = "nothing"
    NEUTRAL = "neutral"
    END = "end"


class Ignition:
    """`look` each tenth of a second. `words`: what has just changed, in a sentence, or ''."""

    def __init__(self, pin: Pin, off_s: float) -> None:
        self._pin, self._off_s = pin, off_s
        self._seen = self._acted = False
        self._since_s: float | None = None
        self._told = ""
        self.words = ""
        self.ended = False
        self.overdue = False  # nobody has ended the run though it was due

    def look(self, now_s: float) -> Due:
        """Read the pin and judge. A pin that cannot be read is told and changes nothing."""
        try:
            on = self._pin.read()
        except OSError as error:
            self._tell(f"The ignition's input cannot be read: {error}")
            return Due.NOTHING
        if on:
            self._tell(BACK if self._acted else "")
            self._seen, self._acted, self._since_s = True, False, None
            return Due.NOTHING
        if self._since_s is None:
            self._since_s = now_s
        return self._off(now_s - self._since_s)

    def _off(self, for_s: float) -> Due:
        due_s = self._off_s if self._seen else UNSEEN_S
        if for_s >= due_s:
            self.ended, self.overdue = True, for_s >= due_s + PATIENCE_S
            return Due.END
        if for_s < STEADY_S:
            return Due.NOTHING
        if not self._seen:
            self._tell(UNSEEN)
            return Due.NOTHING
        self._acted = True
        self._tell(f"The ignition is off: valves neutral. After {self._off_s:g} s the run ends.")
        return Due.NEUTRAL

    def _tell(self, words: str) -> None:
        """Once."""
        self.words = words if words != self._told else ""
        self._told = words

    def close(self) -> None:
        """Let go of the pin."""
        self._pin.close()
