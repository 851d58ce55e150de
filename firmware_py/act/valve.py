"""The valve's characteristic and its inverse: overlap, asymmetry, and pulsing of on/off valves.

Rate > 0 raises. Command -1..1. Below the overlap no oil flows; from there the rate is linear.
"""

from __future__ import annotations

from dataclasses import dataclass

from firmware_py.calibration import OneValve
from firmware_py.settings import MM, Valves


@dataclass(frozen=True, slots=True)
class Characteristic:
    """Full rates (m/s), overlap and the share of it that is made up for (0.8 to 1, never more).

    overlap_down: where it is another one than raising.
    """

    up: float
    down: float
    overlap: float
    compensate: float
    overlap_down: float | None = None

    @classmethod
    def of(cls, valves: Valves, found: OneValve | None = None) -> Characteristic:
        """As the rig file has it of both valves, or as one of them was found."""
        if found is not None:
            return cls(
                found.up_mm_s * MM, found.down_mm_s * MM, found.overlap_up_pct / 100.0,
                valves.compensate_pct / 100.0, found.overlap_down_pct / 100.0,
            )  # fmt: skip
        return cls(
            valves.up_mm_s * MM,
            valves.down_mm_s * MM,
            valves.overlap_pct / 100.0,
            valves.compensate_pct / 100.0,
        )

    def dead(self, up: bool) -> float:
        """The overlap of one direction, of full command."""
        return self.overlap if up or self.overlap_down is None else self.overlap_down

    def command(self, rate: float, gain: float = 1.0) -> float:
        """Command for a rate; gain is how much faster than stated the valve has proved to be."""
        if rate == 0.0:
            return 0.0
        full = (self.up if rate > 0.0 else self.down) * gain
        share = min(abs(rate) / full, 1.0)
        dead = self.compensate * self.dead(rate > 0.0)
        size = dead + share * (1.0 - dead)
        return size if rate > 0.0 else -size

    def rate(self, command: float) -> float:
        """Rate that a command should give, by the stated figures."""
        overlap = self.dead(command > 0.0)
        size = (abs(command) - overlap) / (1.0 - overlap)
        if size <= 0.0:
            return 0.0
        return min(size, 1.0) * (self.up if command > 0.0 else -self.down)


class Pulser:
    """On/off valves: full command for as many ticks as the asked-for motion needs.

    lost: ticks of a pulse that move nothing, up and down, as it opens later than it closes; a pulse
    that goes on from the last one has already opened, and loses none.
    """

    STATE = ("owed", "left", "sign", "worth")

    def __init__(self, pulse_ticks: int, lost: tuple[float, float] = (0.0, 0.0)) -> None:
        self.pulse_ticks = max(1, pulse_ticks)
        self._fresh = tuple(1.0 - one / self.pulse_ticks for one in lost)
        if not min(self._fresh) > 0.0:
            raise ValueError(
                f"a pulse of {pulse_ticks} ticks loses {max(lost):g} and moves nothing"
            )
        self.reset()

    def reset(self) -> None:
        """Forget what is owed."""
        self.owed, self.left, self.sign = 0.0, 0, 0.0
        self.worth = 1.0  # motion of a tick of the pulse under way, over that of full command

    def update(self, share: float) -> float:
        """share: asked rate over full rate, -1..1. Gives -1, 0 or 1; never a pulse too short."""
        self.owed += share
        if self.left == 0:
            sign = 1.0 if self.owed > 0.0 else -1.0
            fresh = self._fresh[0] if sign > 0.0 else self._fresh[1]
            worth = 1.0 if sign == self.sign else fresh
            if abs(self.owed) < self.pulse_ticks * worth:
                self.sign = 0.0
                return 0.0
            self.sign, self.worth, self.left = sign, worth, self.pulse_ticks
        self.left -= 1
        self.owed -= self.sign * self.worth
        return self.sign
