"""A candidate line put to the vote of a bar's elements: what speaks for it, and what against it.

A string is thin: elements that cannot see it see nothing as near, and most see something further
off. Ground and heaps are not, and that is how they are told apart.
"""

from __future__ import annotations

import math

from firmware_py.sense.ranging import MAY_SEE, Fix, Frame, View

MUST_SEE = 0.8  # of the beam: further out an element may or may not see the reference
BEYOND = 3  # elements that must see something beyond a string; one where a firing gives one echo
BEYOND_EDGE = 2  # the same for an edge, which hides what is below it
BEHIND = 0.075  # m; nothing else may lie this close behind a string: more than the gate's far half
OUTBOARD = 0.06  # m; nor this close beside it, away from the blade, where no windrow lies
BEHIND_EDGE = 0.035  # m; the same for an edge, which may stand low: what one burst can tell apart
BESIDE = 0.08  # m beyond the beam, where an element would still see a heap, but not a string
ROUND = 0.015  # m; how far behind a string's own echo the flank of a heap may lie there
SLIP = 0.006  # m; an echo nearer than a cycle's slip makes it comes from something in front


def consensus(c: float, y: float, frame: Frame, view: View) -> Fix | None:
    """The vote on one candidate; None where the frame speaks against it."""
    votes = Votes(c, y, view)
    for k, echoes in enumerate(frame):
        votes.ask(k, echoes)
    return votes.verdict()


class Votes:
    """Counts what each element says of a line at clearance c and lateral y."""

    def __init__(self, c: float, y: float, view: View) -> None:
        self.c, self.y, self.view = c, y, view
        self.sigma = view.sigma(c)
        self.tolerance = 3.0 * self.sigma
        self.half = c * math.tan(view.half_angle)
        edge = view.half_width > 0.0
        self.clear = c + (BEHIND_EDGE if edge else BEHIND)
        self.aside = c + (BEHIND_EDGE if edge else OUTBOARD)
        self.broad = self.tolerance if edge else ROUND
        self.who: list[int] = []
        self.cost = self.gaps = 0.0
        self.silent = self.missed = self.elsewhere = self.unheard = self.beyond = 0
        self.spoilt = False  # an element sees what it could not, if this were the line
        self.front = self.closest = math.inf  # least offset of elements: with a nearer echo; of all

    def ask(self, k: int, echoes: tuple[float, ...]) -> None:
        """Take one element's echoes."""
        view, at = self.view, self.view.positions[k]
        off = max(abs(at - self.y) - view.half_width, 0.0)
        # the beams lean with the bar
        wide = max(abs(at - self.y + self.c * view.lean) - view.half_width, 0.0)
        rim = self.half * MAY_SEE
        beside = rim < wide < rim + BESIDE
        must = wide < self.half * MUST_SEE
        if not echoes:
            self.silent += 1
            self.missed += must
            self.unheard += beside
            return
        expected = math.sqrt(self.c * self.c + off * off)
        self.beyond += echoes[-1] > self.clear
        if wide > rim:
            outboard = (at - self.y) * view.outboard > 0.0
            free = self.aside if outboard else expected + self.broad
            odd = beside and echoes[0] < free
            self.spoilt |= odd or echoes[0] < self.c - self.tolerance
        else:
            self._in_view(k, off, must, expected, echoes)

    def _in_view(
        self, k: int, off: float, must: bool, expected: float, echoes: tuple[float, ...]
    ) -> None:
        gap = min((r - expected for r in echoes), key=abs)
        if echoes[0] < expected - max(self.tolerance, SLIP):
            self.front = min(self.front, off)
        self.closest = min(self.closest, off)
        if abs(gap) <= self.tolerance:
            self.who.append(k)
            self.cost += (gap / self.sigma) ** 2
            self.gaps += gap * expected / self.c
        elif must:
            self.missed += 1
            self.elsewhere += 1

    def verdict(self) -> Fix | None:
        """The candidate with those who agree, or None.

        Against it: elements that must see it and do not; silent ones, which might see something
        nearer; too few that see anything beyond it, for then it is ground; and something in front
        that is no pin, for a pin is seen best by the element right above.
        """
        seen = len(self.who)
        if seen < 2 or self.missed * 2 > seen or self.elsewhere * 3 > seen:
            return None
        if self.spoilt or self.silent >= seen or self.closest < self.front < math.inf:
            return None
        enough = BEYOND_EDGE if self.view.half_width else BEYOND
        if self.beyond < (1 if self.view.echoes == 1 else enough):
            return None
        clearance = self.c + self.gaps / seen
        return Fix(clearance, self.y, seen, self.cost, tuple(self.who), self.unheard == 0)
