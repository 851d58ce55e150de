"""A machine of real devices, with a simulated rig behind it for whatever is not real.

Of the simulated rig only the samples of devices that are simulated count; it gets every command, so
that its blade moves as the real valves are told. Nothing here waits.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, Protocol

from drivers import protocols
from drivers.errors import DeviceError
from drivers.samples import AnySample, ValveCommand

SILENT = "silent"
FIRST_S = 3.0  # from the first read on: sensors are set up, a receiver tells each second


class Reader(Protocol):
    """A device that gives samples."""

    def read(self, now_s: float) -> Sequence[AnySample]: ...


class GatedBar(Protocol):
    """A bar that can be told the range gate, m."""

    def gate(self, near_m: float, far_m: float) -> None: ...


class Marked(Protocol):
    """A motion sensor that can be put right at a marked pin."""

    def at_mark(self, chainage_m: float) -> float: ...


class Said(NamedTuple):
    """A device of its own: what it is, what is wrong with it, and its counts."""

    name: str
    what: str
    wrong: tuple[str, ...]
    counts: Mapping[str, int]


@dataclass(frozen=True)
class Joined:
    """One real device as the rig holds it. reader: None for valves, and for what is only told.

    dead: nothing has come for three of its periods.
    """

    name: str
    device: Any
    what: Callable[[], str]
    wrong: Callable[[float], Sequence[str]]
    counts: Callable[[], Mapping[str, int]]
    reader: Reader | None = None
    bar: GatedBar | None = None
    motion: Marked | None = None
    close: Callable[[], None] = field(default=lambda: None)
    dead: Callable[[float], bool] = field(default=lambda now_s: False)

    def say(self, now_s: float, *, silent: bool = False) -> Said:
        """Its report."""
        counts = {name: count for name, count in self.counts().items() if count}
        wrong = (*((SILENT,) if silent else ()), *self.wrong(now_s))
        return Said(self.name, self.what(), wrong, counts)


class MixedRig:
    """Behind protocols.Rig. simulated: the rig behind it; counted: its devices that count;
    also: closed after all devices, as buses are; took: sees what each read hands up."""

    def __init__(
        self,
        joined: Sequence[Joined],
        valves: protocols.Valves | None,
        simulated: protocols.Rig | None = None,
        counted: frozenset[str] = frozenset(),
        *,
        also: Callable[[], None] = lambda: None,
        took: Callable[[Sequence[AnySample]], None] = lambda samples: None,
    ) -> None:
        self.joined, self.simulated = tuple(joined), simulated
        self.valves, self._also, self._took = valves, also, took
        self.counts: Counter[str] = Counter()
        self._readers = [one.reader for one in joined if one.reader is not None]
        self._counted = counted
        self._now_s = 0.0
        self._first_s: float | None = None

    @property
    def devices(self) -> Mapping[str, Any]:
        """The real devices by name."""
        return {one.name: one.device for one in self.joined}

    def read(self, now_s: float) -> Sequence[AnySample]:
        """Everything new from every device."""
        self._now_s = now_s
        if self._first_s is None:
            self._first_s = now_s
        found: list[AnySample] = []
        if self.simulated is not None:
            found += [s for s in self.simulated.read(now_s) if s.device in self._counted]
        for reader in self._readers:
            found += reader.read(now_s)
        self._took(found)
        return found

    def write(self, command: ValveCommand) -> None:
        """Command the valves, the real ones first."""
        if self.valves is not None:
            self.valves.write(command)
        if self.simulated is not None:
            self.simulated.write(command)

    def settle(self, now_s: float) -> None:
        """Throw away what has waited while the loop came up."""
        self.read(now_s)
        while self.simulated is not None and self.simulated.read(now_s):
            pass

    def gate(self, device: str, near_m: float, far_m: float) -> None:
        """The range gate of one bar, for elements that take one."""
        for one in self.joined:
            if one.name == device and one.bar is not None:
                one.bar.gate(near_m, far_m)

    def at_mark(self, chainage_m: float) -> str:
        """The machine stands at a pin whose chainage is known; what came of it, in a sentence."""
        for one in self.joined:
            if one.motion is not None:
                try:
                    off = one.motion.at_mark(chainage_m)
                except DeviceError as error:
                    return str(error)
                return f"The way was off by {off:+.2f} m at {chainage_m:.2f} m, and is right now."
        return "No wheel counts the way here."

    def report(self, now_s: float) -> tuple[Said, ...]:
        """What every real device says of itself."""
        silent = self.silent(now_s)
        return tuple(one.say(now_s, silent=one.name in silent) for one in self.joined)

    def silent(self, now_s: float) -> frozenset[str]:
        """Devices that have given nothing for three of their periods; cheap enough for each tick.
        Ask after a read."""
        if self._first_s is None or now_s - self._first_s < FIRST_S:
            return frozenset()
        return frozenset(one.name for one in self.joined if one.dead(now_s))

    def close(self) -> None:
        """Valves neutral, then let go of everything; the first failure is raised at the end."""
        wrong: list[Exception] = []
        acts = [self._neutral, *(one.close for one in self.joined), self._also]
        for act in [*acts, *([self.simulated.close] if self.simulated is not None else [])]:
            try:
                act()
            except Exception as error:  # one device that will not let go must not hold the others
                wrong.append(error)
        if wrong:
            raise wrong[0]

    def _neutral(self) -> None:
        if self.valves is not None:
            self.valves.neutral(self._now_s)
