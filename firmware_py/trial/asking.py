"""Asking the controller as a person does: again and again until it is done, for a bounded time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from firmware_py.messages import AnyRequest, EndState, Tick

RETRY_S = 1.0  # s between two attempts at what was refused
TRY_S = 30.0  # s; then a person gives up: a string comes into view within a few

Make = Callable[[int], AnyRequest]


class Asking:
    """Requests that belong together. `done` when all are; `failed` says why they never were.

    leads: done only once no valve is neutral any more, which is what a driver asks it for.
    """

    def __init__(
        self, makes: Sequence[Make], numbers: Iterator[int], now_s: float, *, leads: bool = False
    ) -> None:
        self._makes, self._numbers, self._leads = list(makes), numbers, leads
        self._open = list(makes)
        self._asked: dict[int, Make] = {}
        self._began_s = self._next_s = now_s
        self._reason = ""
        self.done = False
        self.failed = ""

    def update(self, now_s: float, last: Tick | None) -> list[AnyRequest]:
        """What to ask for at this tick; `last` is the tick before, with its answers."""
        self._hear(last)
        if not self._open:
            self.done = not self._leads or _led(last)
        if self.done or self.failed or now_s < self._next_s:
            return []
        if now_s - self._began_s >= TRY_S:
            self.failed = self._reason or "no answer"
            return []
        if not self._open:  # it was done, and then undone
            self._open = list(self._makes)
            self._reason = last.why if last is not None else ""
        self._next_s = now_s + RETRY_S
        numbered = {next(self._numbers): make for make in self._open}
        self._asked |= numbered
        return [make(number) for number, make in numbered.items()]

    def _hear(self, last: Tick | None) -> None:
        for answer in last.answers if last is not None else ():
            make = self._asked.pop(answer.number, None)
            if make is not None and answer.done:
                self._open.remove(make)
            elif make is not None:
                self._reason = answer.reason


def _led(last: Tick | None) -> bool:
    return last is not None and EndState.NEUTRAL not in (last.left.state, last.right.state)
