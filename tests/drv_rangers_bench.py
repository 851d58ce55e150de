"""What the tests of range elements share: a clock by hand, ticks, and a range from a flight."""

from __future__ import annotations

from drivers.rangers.reading import Element, Reading

TICK = 0.01


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def run(
    clock: Clock, element: Element, seconds: float, *, fire: bool = True
) -> list[tuple[float, Reading]]:
    """Tick on; each reading with the time at which it was handed up."""
    got = []
    for _ in range(round(seconds / TICK)):
        clock.now_s = round(clock.now_s + TICK, 6)
        got += [(clock.now_s, reading) for reading in element.collect(clock.now_s)]
        if fire and element.ready(clock.now_s):
            element.fire(clock.now_s)
    return got


def range_m(reading: Reading, sound: float = 344.8) -> float:
    assert reading.flights_s
    return 0.5 * reading.flights_s[0] * sound
