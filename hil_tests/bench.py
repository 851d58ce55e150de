"""One device on a bench, whatever it is made of: what it says of itself, what can be done to it.

A test takes what it needs by `need`; where a back cannot do that, the test is skipped and the
reason named. Times are seconds on the bench's own clock: virtual, or this computer's.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from drivers.samples import AnySample

TICK_S = 0.01
TERMINAL = Path("/dev/tty")
HAND = ("unplug", "replug", "kill", "press", "roll")  # what a person does on hardware


class Virtual:
    """A clock that goes on only when told; `run` is what the world does meanwhile."""

    real = False

    def __init__(self, start_s: float = 1000.0) -> None:
        self.now_s = start_s
        self.run: Callable[[float], None] = lambda now_s: None

    def __call__(self) -> float:
        return self.now_s

    def tick(self, seconds: float = TICK_S) -> float:
        """So much later."""
        self.now_s = round(self.now_s + seconds, 6)
        self.run(self.now_s)
        return self.now_s


class Real:
    """This computer's clock; a tick waits."""

    real = True

    def __call__(self) -> float:
        return time.monotonic()

    def tick(self, seconds: float = TICK_S) -> float:
        time.sleep(seconds)
        return time.monotonic()


Clock = Virtual | Real


@dataclass
class Bench:
    """period_s: between its samples, as stated; spread_s: how far off their times may be, stated.

    noise: stated 1 sigma of what it measures at rest, by quantity. identity: how it calls itself.
    does: what can be done to it or asked of it, by name; cannot: why something of that cannot be.
    """

    device: Any
    clock: Clock
    period_s: float
    spread_s: float
    identity: str = ""
    noise: Mapping[str, float] = field(default_factory=dict)
    does: dict[str, Callable[..., Any]] = field(default_factory=dict)
    cannot: Mapping[str, str] = field(default_factory=dict)
    close: Callable[[], None] = lambda: None
    name: str = ""

    def need(self, what: str) -> Callable[..., Any]:
        """Something done to the device, or the test is skipped with the reason."""
        found = self.does.get(what)
        if found is None:
            pytest.skip(f"{self.name}, {what}: {self.cannot.get(what, 'not to be had here')}")
        return found

    def listen(self, seconds: float) -> list[tuple[float, AnySample]]:
        """Read each tick; every sample with the time at which it was handed up."""
        got: list[tuple[float, AnySample]] = []
        until = self.clock() + seconds - 1e-9
        while self.clock() < until:
            now = self.clock.tick()
            got += [(now, sample) for sample in self.device.read(now)]
        return got

    def settle(self) -> list[AnySample]:
        """Read until samples come, ten seconds at most; fails when none do."""
        for _ in range(100):
            if got := self.listen(0.1):
                return [sample for _, sample in got]
        raise AssertionError(f"{self.identity or self.device} gives no samples: {self.trouble()}")

    def trouble(self) -> str:
        """What the driver says is wrong, '' while all is well or where it never says."""
        for name in ("trouble", "why"):
            if (said := getattr(self.device, name, None)) is not None:
                return str(said)
        complaints = getattr(self.device, "complaints", None)
        return "; ".join(complaints(self.clock())) if complaints else ""


def by_hand(words: str) -> Callable[[], None]:
    """A person is asked to do something at the machine; without a terminal the test is skipped."""

    def ask() -> None:
        try:
            with TERMINAL.open("r+") as terminal:
                terminal.write(f"\n{words}, then press Enter: ")
                terminal.flush()
                terminal.readline()
        except OSError:
            pytest.skip(f"nobody is at a terminal to {words[0].lower()}{words[1:]}")

    return ask
