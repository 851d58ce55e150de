"""What a shake of the cables brings to light: silence, bad frames, lost ports."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from firmware_py.messages import Tick

PLUGS = "Look at its plugs."
# What drivers count of either kind (the docstrings in drivers/ say which driver counts what).
FRAMES = frozenset({
    "bad sum", "broken", "junk", "too large", "bad COBS", "bad CRC", "bad kind", "bad length",
    "bad too long", "lost", "checksum", "no_checksum", "long", "unread", "short",
    "ShortReadError", "missed",
})  # fmt: skip
LOSSES = frozenset({
    "port lost", "gone", "fell silent", "failed", "nak", "NoAnswerError", "stuck_bus",
    "BusStuckError", "no_bus", "BusGoneError", "io", "lease", "forgot", "not sent",
})  # fmt: skip
SURE = 3.0  # standard deviations of a count (Poisson: its root) above what standing still has too


@dataclass
class Phase:
    """What came within one part of the check. counts: what drivers have counted meanwhile."""

    times: dict[str, list[float]] = field(default_factory=dict)
    pings: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    inertial: list[tuple[float, ...]] = field(default_factory=list)
    flights: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    hands: bool = False
    ticks: list[Tick] = field(default_factory=list)
    dropped: dict[str, int] = field(default_factory=dict)
    whys: dict[str, str] = field(default_factory=dict)
    seconds: float = 0.0
    sound: float | None = None
    counts: dict[str, Counter[str]] = field(default_factory=dict)


def silences(longest: Mapping[str, float], seen: Phase) -> Iterator[str]:
    """Devices and elements that were silent for longer (s) than is right for them."""
    for name, most in longest.items():
        silent = _silence(seen.times.get(name, []), seen.seconds)
        if silent > most:
            yield f"{name}: silent for {silent:.2f} s while its cable was shaken. {PLUGS}"
            continue
        for key in sorted(key for key in seen.pings if key[0] == name):
            if (silent := _silence(seen.pings[key], seen.seconds)) > most:
                told = f"{name}, element {key[1]}: silent for {silent:.2f} s"
                yield f"{told} while its cable was shaken. {PLUGS}"


def _silence(times: list[float], otherwise_s: float) -> float:
    """The longest gap between samples, s."""
    return float(np.diff(times).max()) if len(times) > 1 else otherwise_s


def counted(stood: Phase, shaken: Phase) -> Iterator[str]:
    """Devices whose drivers have counted more that is bad than they had standing still.

    Devices behind one cable count the same: they are told together.
    """
    share = shaken.seconds / stood.seconds if stood.seconds > 0.0 else 0.0
    told: dict[str, list[str]] = {}
    for name, counts in shaken.counts.items():
        usual = stood.counts.get(name, Counter[str]())
        risen = {
            what: n for what, n in sorted(counts.items())
            if n > (most := share * usual[what]) + SURE * math.sqrt(max(most, 0.0))
        }  # fmt: skip
        words = [_words("bad frames", FRAMES, risen), _words("losses of the line", LOSSES, risen)]
        if any(words):
            told.setdefault(" and ".join(filter(None, words)), []).append(name)
    for what, names in told.items():
        yield f"{', '.join(names)}: {what} while its cable was shaken. {PLUGS}"


def _words(kind: str, of: frozenset[str], risen: Mapping[str, int]) -> str:
    found = [f"{what} {n}" for what, n in risen.items() if what in of]
    return f"{kind} ({', '.join(found)})" if found else ""
