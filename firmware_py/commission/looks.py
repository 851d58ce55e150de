"""What a bar heard while it stood over something known: its elements' flights, and the air.

Flights in s, there and back; ranges in m, from an element's face.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drivers.samples import AirSample, Echo, RangePing, Validity
from firmware_py.commission.estimate import Floats
from firmware_py.commission.procedure import Given
from firmware_py.sense.sound import speed_from_reflector
from firmware_py.settings import MM
from firmware_py.settings_bars import Bar


@dataclass(frozen=True)
class Reflector:
    """A fixed target in one element's view, at a known distance from its face."""

    element: int
    distance_m: float

    def split(self, ping: RangePing) -> tuple[float | None, tuple[Echo, ...]]:
        """The flight of the reflector's echo, if this firing has one, and the other echoes."""
        if ping.element != self.element:
            return None, ping.echoes
        for k, echo in enumerate(ping.echoes):
            if speed_from_reflector(self.distance_m, echo.flight_s) is not None:
                return echo.flight_s, (*ping.echoes[:k], *ping.echoes[k + 1 :])
        return None, ping.echoes


def reflector_of(bar: Bar) -> Reflector | None:
    """The one that a rig file states for this bar."""
    if bar.reflector_mm is None or bar.reflector_element is None:
        return None
    return Reflector(bar.reflector_element, bar.reflector_mm * MM)


@dataclass(frozen=True)
class Look:
    """A stand over the board: flights (s) of each element, firings of each, temperature (C)."""

    flights: tuple[Floats, ...]
    fired: tuple[int, ...]
    air_c: float | None
    by_both: bool = False  # the rig's thermometer and one held by hand
    reflected: Floats | None = None  # flights (s) of the fixed reflector; None: there is none


class Listener:
    """Keeps one bar's first echoes, its reflector's, and the air's temperature, for a Look."""

    def __init__(self, device: str, elements: int, reflector: Reflector | None = None) -> None:
        self._device, self._reflector = device, reflector
        self._flights: list[list[float]] = [[] for _ in range(elements)]
        self._fired = [0] * elements
        self._air: list[float] = []
        self._reflected: list[float] = []

    def __call__(self, given: Given) -> None:
        for s in given.samples:
            if isinstance(s, AirSample) and s.temperature_c is not None:
                self._air.append(s.temperature_c)
            elif isinstance(s, RangePing) and s.device == self._device:
                self._ping(s)

    def _ping(self, s: RangePing) -> None:
        if s.element >= len(self._fired) or s.validity is Validity.FAULT:
            return
        self._fired[s.element] += 1
        flight, echoes = (None, s.echoes) if self._reflector is None else self._reflector.split(s)
        self._flights[s.element] += [e.flight_s for e in echoes[:1]]
        if flight is not None:
            self._reflected.append(flight)

    def look(self, held_c: float | None = None) -> Look:
        """What was heard; held_c: of a thermometer held by hand, averaged with the rig's own."""
        own = float(np.mean(self._air)) if self._air else None
        known = [air for air in (own, held_c) if air is not None]
        air = sum(known) / len(known) if known else None
        reflected = None if self._reflector is None else np.array(self._reflected)
        flights = tuple(map(np.array, self._flights))
        return Look(flights, tuple(self._fired), air, len(known) == 2, reflected)
