"""What every simulated device shares: a queue of samples by the time they become readable."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from drivers.samples import Sample
from drivers.simulated.faults import FaultList

S = TypeVar("S", bound=Sample)
Advance = Callable[[float], None]


class Device(Generic[S]):
    """Samples wait in `queue` as (readable at, sample); `read` hands up those that are due."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.queue: deque[tuple[float, S]] = deque()
        self.faults: FaultList[S] = FaultList()
        self.advance: Advance = no_physics

    def read(self, now_s: float) -> list[S]:
        """Advance the whole rig to now; this device's samples that have become readable."""
        self.advance(now_s)
        return [sample for _, sample in self.due(now_s)]

    def emit(self, due_s: float, sample: S) -> None:
        """Queue a sample, after whatever fault is injected."""
        if self.faults.active:
            changed = self.faults.apply(sample)
            if changed is None:
                return
            sample = changed
        self.queue.append((due_s, sample))

    def due(self, now_s: float) -> list[tuple[float, S]]:
        """Take what is readable by now."""
        queue = self.queue
        out: list[tuple[float, S]] = []
        limit = now_s + 1e-9
        while queue and queue[0][0] <= limit:
            out.append(queue.popleft())
        return out


AnyDevice = Device[Any]


def no_physics(now_s: float) -> None:
    """A device outside a rig has no physics to advance."""
