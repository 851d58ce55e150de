"""What a range element gives, and what every kind of element is told about itself."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple, Protocol

UNITS = {"mm": 1e-3, "cm": 1e-2}  # m a count

# m/s; what a ranger takes sound to travel when it turns flight into range: 58 us a centimetre
# there and back, a pulse-width scale common to many (PD11832f: 147 us an inch = 345.6 m/s).
ASSUMED_SOUND = 344.8


class Reading(NamedTuple):
    """One firing's outcome: when it fired (s), flights there and back (s, nearest first)."""

    fired_s: float
    flights_s: tuple[float, ...]
    spread_s: float  # half width of what fired_s may be off


@dataclass(frozen=True)
class Traits:
    """A model's own figures. Lengths as the device itself reckons them."""

    unit: str = "mm"  # of its numbers: mm or cm; the same frame means either, by model
    sound_mps: float = ASSUMED_SOUND  # the speed of sound that it assumes
    blind_m: float = 0.0  # readings up to here are no range: nearer things read as this one
    nothing_m: float = 5.0  # readings from here on mean that nothing was heard
    period_s: float = 0.1  # between readings when running free; the shortest cycle when fired
    latency_s: float = 0.0  # from the firing to the last byte of the answer
    spread_s: float = 0.0  # how much that varies, to either side
    answer_s: float = 0.2  # a firing without an answer after so long has none

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f'unit "{self.unit}" is unknown; mm and cm are right')
        if not (self.sound_mps > 0.0 and self.period_s > 0.0):
            raise ValueError("sound_mps and period_s must be above 0")

    def flights(self, raw: int) -> tuple[float, ...]:
        """A raw number as time of flight (s); empty where it means that nothing was heard."""
        range_m = raw * UNITS[self.unit]
        if range_m <= self.blind_m or range_m >= self.nothing_m or raw <= 0:
            return ()
        return (2.0 * range_m / self.sound_mps,)

    @property
    def largest(self) -> int:
        """The largest raw number that this model sends."""
        return int(self.nothing_m / UNITS[self.unit] * 1.0001)


class Element(Protocol):
    """One range element: fired by the bar, or running free. No call blocks."""

    counts: Counter[str]

    @property
    def why(self) -> str:
        """What is wrong with it; empty while all is well."""
        ...

    @property
    def seen_s(self) -> float | None:
        """When it last gave a reading."""
        ...

    @property
    def period_s(self) -> float:
        """The shortest time between its readings."""
        ...

    @property
    def runs_free(self) -> bool: ...

    @property
    def pending_s(self) -> float | None:
        """When it fired, while the answer is still out."""
        ...

    def ready(self, now_s: float) -> bool:
        """Whether it can be fired now."""
        ...

    def fire(self, now_s: float) -> bool:
        """Fire; False when the element could not be told."""
        ...

    def collect(self, now_s: float) -> list[Reading]:
        """What has come in since the last call."""
        ...

    def gate(self, near_m: float, far_m: float) -> None:
        """The range gate, for elements that take one."""
        ...

    def close(self) -> None: ...
