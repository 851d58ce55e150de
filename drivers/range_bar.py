"""A bar of bought range elements as protocols.RangeBar: who fires when, and pings in order.

Element 0 is at the bar's right (rear, if turned). Echo times are instants of reflection: the
firing plus half the flight.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Literal

from drivers.rangers.reading import Element, Reading
from drivers.samples import Echo, RangePing, Validity

# s from one firing to the next, at least. Public recordings (published figures, not measured here):
# 2 to 10 ms between pings gave 12 % gross errors, 25 ms gave 0.2 %. In 25 ms sound goes 8.6 m, so
# that only what is beyond 4.3 m can still be heard by the next element.
PAUSE = 0.025
DEAD_PERIODS = 3.0  # without a reading, and an element counts as dead
APART = 1e-6  # s; pings of one bar are told apart by their times
SHIFT = 0.005  # s; a ping moved later by more than this to keep the order is dropped instead


class ElementBar:
    """counts: pings, skipped (an element could not be fired), disordered (pings dropped)."""

    def __init__(
        self,
        name: str,
        elements: Sequence[Element],
        *,
        order: Sequence[int] | None = None,
        pause_s: float = PAUSE,
        echoes: Literal["one", "many"] = "one",
    ) -> None:
        self.name = name
        self.elements = tuple(elements)
        self.order = tuple(range(len(self.elements)) if order is None else order)
        if sorted(self.order) != list(range(len(self.elements))):
            words = f"firing order {list(self.order)} must name each of"
            raise ValueError(f"{words} {len(self.elements)} elements once")
        self.pause_s, self.echoes = pause_s, echoes
        self.counts: Counter[str] = Counter()
        self._next = 0  # place in the firing order
        self._not_before: float | None = None
        self._last_s: float | None = None
        self._began_s: float | None = None
        self._held: list[tuple[int, Reading]] = []

    @property
    def frame_s(self) -> float:
        """One firing of every element, at best."""
        fired = sum(not element.runs_free for element in self.elements)
        slowest = max((element.period_s for element in self.elements), default=0.0)
        return max(fired * self.pause_s, slowest)

    def read(self, now_s: float) -> list[RangePing]:
        """Pings that are complete by now, by firing time; fires the next element when it is due."""
        if self._began_s is None:
            self._began_s = now_s
        for number, element in enumerate(self.elements):
            self._held += [(number, reading) for reading in element.collect(now_s)]
        out = self._settled(now_s)
        self._fire(now_s)
        return out

    def gate(self, near_m: float, far_m: float) -> None:
        """The range gate, for those elements that take one."""
        for element in self.elements:
            element.gate(near_m, far_m)

    def dead(self, now_s: float) -> tuple[int, ...]:
        """Elements that have given no reading, nor "nothing heard", for three frames."""
        if self._began_s is None:
            return ()
        patience = DEAD_PERIODS * self.frame_s
        began = self._began_s
        return tuple(
            n
            for n, element in enumerate(self.elements)
            if now_s - (began if element.seen_s is None else element.seen_s) > patience
        )

    def complaints(self, now_s: float) -> list[str]:
        """One sentence for each element that is wrong."""
        dead, found = self.dead(now_s), []
        for n, element in enumerate(self.elements):
            words = [*(["silent"] if n in dead else []), *([element.why] if element.why else [])]
            if words:
                found.append(f"{self.name} element {n}: {'; '.join(words)}")
        return found

    def all_dead(self, now_s: float) -> bool:
        """Whether that is so of every element."""
        return len(self.dead(now_s)) == len(self.elements)

    def close(self) -> None:
        for element in self.elements:
            element.close()

    def _fire(self, now_s: float) -> None:
        """Fire the first element in the order that can be; one that is busy is waited for."""
        if self._not_before is not None and now_s < self._not_before - 1e-9:
            return
        for _ in self.order:
            element = self.elements[self.order[self._next]]
            if not element.runs_free:
                if not element.ready(now_s):
                    if self._waits_for(element):
                        return
                elif element.fire(now_s):
                    self._not_before = now_s + self.pause_s
                    self._advance()
                    return
                self.counts["skipped"] += 1
            self._advance()

    @staticmethod
    def _waits_for(element: Element) -> bool:
        """Whether an element that is not ready will be soon: it lives and is only busy."""
        return not element.why and (element.pending_s is not None or element.seen_s is not None)

    def _advance(self) -> None:
        self._next = (self._next + 1) % len(self.order)

    def _settled(self, now_s: float) -> list[RangePing]:
        """Readings before which no firing is still out, oldest first.

        A later firing may be answered first; the pings of a bar come in the order of firing. A dead
        element holds nobody up.
        """
        limit = self._still_out(now_s)
        self._held.sort(key=lambda held: held[1].fired_s)
        ready = [h for h in self._held if limit is None or h[1].fired_s < limit]
        self._held = self._held[len(ready) :]
        pings = [self._ping(number, reading) for number, reading in ready]
        return [ping for ping in pings if ping is not None]

    def _still_out(self, now_s: float) -> float | None:
        """The earliest firing whose answer is to come; None when there is none."""
        pending = [(e.pending_s, n) for n, e in enumerate(self.elements) if e.pending_s is not None]
        if not pending:
            return None
        dead = self.dead(now_s)
        return min((at for at, n in pending if n not in dead), default=None)

    def _ping(self, number: int, reading: Reading) -> RangePing | None:
        at = reading.fired_s
        if self._last_s is not None and at <= self._last_s:
            at = self._last_s + APART
            if at - reading.fired_s > SHIFT:
                self.counts["disordered"] += 1
                return None
        self._last_s = at
        flights = reading.flights_s[:1] if self.echoes == "one" else reading.flights_s
        self.counts["pings"] += 1
        validity = Validity.OK if flights else Validity.NOTHING
        echoes = tuple(Echo(at + 0.5 * flight, flight) for flight in flights)
        return RangePing(self.name, at, validity, number, echoes)
