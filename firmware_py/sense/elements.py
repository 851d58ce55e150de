"""Zero and scale of each range element, as `linehold bar` found them, taken out of its echoes.

A reading is true + zero + (scale - 1)(true - middle); ranges in m, flights in s.
"""

from __future__ import annotations

from drivers.samples import Echo, RangePing
from firmware_py.calibration import Elements

MM = 1e-3


class ElementCorrection:
    """`ping` gives a firing as a true element would have made it."""

    def __init__(self, found: Elements) -> None:
        self._middle = found.middle_mm * MM
        self._zero = [zero * MM for zero in found.zero_mm]
        self._scale = list(found.scale)

    def true(self, element: int, reading: float) -> float:
        """The true range behind a reading, m."""
        middle = self._middle
        return middle + (reading - self._zero[element] - middle) / self._scale[element]

    def ping(self, ping: RangePing, sound_mps: float) -> RangePing:
        """The same firing with its flights put right; instants stay."""
        half = 0.5 * sound_mps
        echoes = tuple(
            Echo(e.time_s, self.true(ping.element, half * e.flight_s) / half) for e in ping.echoes
        )
        return RangePing(ping.device, ping.time_s, ping.validity, ping.element, echoes)
