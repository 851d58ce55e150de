"""What runs a procedure: a generator that takes time, samples and a person's answers.

Each step yields a `Next`: words for the person, what is asked of them, and the command for the
valves, (left, right) in -1..1, > 0 raises. A command, a test and the simulated rig drive it alike.
A procedure reads no clock and touches no device; after its end the valves are neutral.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from drivers.samples import AnySample
from firmware_py.commission.estimate import CommissionError, Surprise

R = TypeVar("R")
Ask = Literal["", "ready", "confirm", "number"]
YES = "yes"  # the one answer that confirms
MAX_GAP_S = 0.1  # s between two steps while valves may move: longer, and nobody was watching


@dataclass(frozen=True)
class Next:
    """What to do now. moves: the procedure is in a part that moves the valves by itself.

    act: a short name of what the person is to do, with the lengths (m) that it needs, for a
    picture or a simulated person; span: what a number asked for may be.
    """

    words: str
    ask: Ask = ""
    valves: tuple[float, float] = (0.0, 0.0)
    moves: bool = False
    share: float = 0.0  # of this part that is done, 0..1
    done: bool = False
    act: str = ""
    at: tuple[float, ...] = ()
    span: tuple[float, float] = (-math.inf, math.inf)


Counts = Mapping[str, Mapping[str, int]]  # of each real device, what its driver has counted


def _no_counts() -> Counts:
    return {}


@dataclass(frozen=True)
class Given:
    """One step's input: time (s, monotonic), new samples, and what the person answered.

    counts: what the drivers have counted by now, for whoever asks.
    """

    now_s: float
    samples: Sequence[AnySample] = ()
    said: str | float | None = None
    counts: Callable[[], Counts] = _no_counts


Steps = Generator[Next, Given, R]
Watch = Callable[[Given], None]


class Procedure(Generic[R]):
    """Steps a generator. `result` when it came to its end; `error` when it was given up."""

    def __init__(self, steps: Steps[R]) -> None:
        self._steps = steps
        self._last_s = -math.inf
        self.result: R | None = None
        self.error: CommissionError | Surprise | None = None
        self.next = next(steps)

    @property
    def done(self) -> bool:
        return self.next.done

    def step(
        self, now_s: float, samples: Sequence[AnySample] = (), said: str | float | None = None,
        counts: Callable[[], Counts] = _no_counts,
    ) -> Next:  # fmt: skip
        """Take what is new; what to do next. After the end always the same, valves neutral."""
        if self.done:
            return self.next
        try:
            self._check(now_s)
            self.next = self._steps.send(Given(now_s, samples, said, counts))
        except StopIteration as end:
            self.result = end.value
            self.next = Next("Done.", share=1.0, done=True)
        except (CommissionError, Surprise) as error:
            self.error = error
            self.next = Next(str(error), done=True)
            self._steps.close()
        return self.next

    def stop(self) -> Next:
        """The person wants no more of it: valves neutral."""
        self._steps.close()
        self.next = self.next if self.done else Next("Stopped; nothing was stored.", done=True)
        return self.next

    def _check(self, now_s: float) -> None:
        gap = now_s - self._last_s
        self._last_s = now_s
        if not gap > 0.0:
            raise Surprise(f"The clock did not advance ({gap:g} s); begin again.")
        if self.next.moves and gap > MAX_GAP_S:
            told = f"{gap:.2f} s without a look at the machine, at most {MAX_GAP_S:g} s is right"
            raise Surprise(f"{told}; begin again with less running beside it.")


def until_said(
    words: str, ask: Ask, watch: Watch | None = None, *, act: str = "",
    at: tuple[float, ...] = (),
) -> Steps[Given]:  # fmt: skip
    """Wait for the person's answer; a confirmation that is anything but yes ends it all."""
    asked = Next(words, ask, act=act, at=at)
    given = yield asked
    while given.said is None:
        if watch is not None:
            watch(given)
        given = yield asked
    if watch is not None:
        watch(given)
    if ask == "confirm" and given.said != YES:
        raise CommissionError("Not confirmed; nothing was moved.")
    return given


def number_said(words: str, low: float, high: float, *, act: str = "") -> Steps[float]:
    """Wait for a number; CommissionError for one outside of what can be right."""
    asked = Next(words, "number", act=act, span=(low, high))
    given = yield asked
    while given.said is None:
        given = yield asked
    if not (isinstance(given.said, (int, float)) and low <= given.said <= high):
        raise CommissionError(f"{given.said} is out of range; {low:g} to {high:g} is right.")
    return float(given.said)


def for_seconds(words: str, seconds: float, watch: Watch) -> Steps[None]:
    """Hand what comes to `watch` for so long, valves shut. The clock begins with what comes."""
    given = yield Next(words)
    start = given.now_s
    while (gone := given.now_s - start) < seconds:
        watch(given)
        given = yield Next(words, share=gone / seconds)
    watch(given)
