"""To hear what the cues make of hand-made ticks: samples on made-up time, and their notes.

Pitches are measured by scipy's FFT.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from firmware_py.link.frames import Beat
from firmware_py.messages import EndTick, Mode, Tick
from tests.tui_made import NOW, beat, end_tick, tick
from tui.sound import (
    Cues,
    Signal,
)
from tui.sound_players import Voice

RATE = 22050
TURN_S = 0.01
WITHIN_S = 0.2  # the alarm, from its cause on
SETTLE_S = 20.0  # for a process to start on a busy computer
TickAt = Callable[[float], Tick | None]
Samples = NDArray[np.float64]


def level(**changes: Any) -> EndTick:
    return end_tick(**{"cue_m": 0.0, "in_dead_band": True, **changes})


def quiet(now_s: float = NOW, **changes: Any) -> Tick:
    """Automatic, straight and on level: nothing to be heard."""
    return tick(now_s, **{"left": level(), "right": level(), "steer_m": 0.0, **changes})


def quiet_beat(now_s: float, **changes: Any) -> Beat:
    """The same as the link brings it."""
    return beat(now_s, **{"left": level(), "right": level(), "steer_m": 0.0, **changes})


def hear(
    cues: Cues, tick_at: TickAt, seconds: float, *, lost_at: float = math.inf,
    voice: Voice | None = None, begin_s: float = NOW,
) -> tuple[Samples, list[tuple[float, Signal]]]:  # fmt: skip
    """The samples of so many seconds, full scale 1, and what began when (s from begin_s)."""
    voice = voice or Voice(RATE)
    heard: list[Samples] = []
    begun: list[tuple[float, Signal]] = []
    for k in range(round(seconds / TURN_S)):
        now = k * TURN_S
        signal = cues.update(tick_at(now), begin_s + now, lost=now >= lost_at)
        if signal is not None:
            voice.begin(signal)
            begun.append((now, signal))
        count = round((k + 1) * TURN_S * RATE) - round(k * TURN_S * RATE)
        heard.append(np.array(voice.take(count), float) / 32767)
    return np.concatenate(heard), begun


def always(**changes: Any) -> TickAt:
    return lambda now: quiet(NOW + now, **changes)


def pitch(samples: Samples) -> float:
    """Hz of the strongest line, the spectrum padded to 0.1 Hz."""
    size = 10 * RATE
    spectrum = np.abs(fft.rfft(samples * np.hanning(len(samples)), size))
    return float(fft.rfftfreq(size, 1 / RATE)[np.argmax(spectrum)])


def notes(samples: Samples) -> list[tuple[float, float, float]]:
    """Begin (s), length (s) and pitch (Hz) of each stretch that sounds."""
    width = round(0.004 * RATE)
    loud = np.convolve(np.abs(samples), np.ones(width) / width, "same") > 0.01
    edges = np.flatnonzero(np.diff(np.concatenate([[0], loud.astype(int), [0]])))
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [(b / RATE, (e - b) / RATE, pitch(samples[b:e])) for b, e in pairs]


def onset_s(samples: Samples) -> float:
    """When something is first heard, at a hundredth of full scale; inf: never."""
    found = np.flatnonzero(np.abs(samples) > 0.01)
    return float(found[0]) / RATE if len(found) else math.inf


def then(mode: Mode, at_s: float, before: Mode = Mode.AUTO) -> TickAt:
    return lambda now: quiet(NOW + now, mode=before if now < at_s else mode)
