"""The dead band: inside it neither P nor I corrects, with hysteresis."""

from __future__ import annotations


class DeadBand:
    """Passes an error once it leaves the band, until it is back within the release share."""

    STATE = ("half", "correcting")

    def __init__(self, half: float, release: float) -> None:
        self.half, self.release = half, release
        self.correcting = False

    def update(self, error: float) -> float:
        """The error to correct, m: 0 inside the band."""
        size = abs(error)
        if not size <= self.half:  # also what is no number: the PID must see and refuse it
            self.correcting = True
        elif size <= self.half * self.release:
            self.correcting = False
        return error if self.correcting else 0.0

    def reset(self) -> None:
        """Inside the band again."""
        self.correcting = False
