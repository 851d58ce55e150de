"""Whoever makes the sound: an output pin, a WAV file, nobody; a player command is in sound_pipe.

None of them ever waits. `words` says what is heard through, or in one sentence why nothing is:
"no sound: ...".
"""

from __future__ import annotations

import sys
import wave
from array import array
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from tui.pin_sound import Pin
from tui.sound import CUT_S, Signal, raised_cosine, render

RATE = 22050  # samples a second; every player takes it, and 3 kHz need no more


class Player(Protocol):
    """`begin` what is to be heard from now on; `step` a hundred times a second."""

    @property
    def words(self) -> str: ...

    def begin(self, signal: Signal, now_s: float) -> None: ...

    def step(self, now_s: float) -> None: ...

    def close(self) -> None: ...


class Voice:
    """Samples of what was begun, and silence after them."""

    def __init__(self, rate: int = RATE) -> None:
        self.rate = rate
        self.urgent = False
        self._samples: array[int] = array("h")
        self._at = 0

    def begin(self, signal: Signal) -> None:
        """In place of what was still to come, which fades first."""
        fade = self._samples[self._at : self._at + round(CUT_S * self.rate)]
        for k in range(len(fade)):
            fade[k] = round(fade[k] * (1.0 - raised_cosine(k, len(fade))))
        self._samples, self._at = fade + render(signal, self.rate), 0
        self.urgent = signal.urgent

    def take(self, count: int) -> array[int]:
        """The next samples."""
        found = self._samples[self._at : self._at + count]
        self._at += len(found)
        return found + array("h", bytes(2 * (count - len(found))))

    def drop(self) -> None:
        """Forget what was still to come."""
        self._samples, self._at = array("h"), 0


class Quiet:
    """No player at all."""

    def __init__(self, words: str) -> None:
        self.words = words

    def begin(self, signal: Signal, now_s: float) -> None:
        """Nobody hears it."""

    def step(self, now_s: float) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to do."""


class WavPlayer:
    """A WAV file on the time that it is given, from the first `begin` or `step` on."""

    def __init__(self, path: Path, rate: int = RATE) -> None:
        self.words = f"sound: into {path}"
        self._voice = Voice(rate)
        self._raw = path.open("wb")  # by ourselves: wave leaves half an object when it cannot
        self._file = wave.open(self._raw, "wb")  # noqa: SIM115  closed by close()
        self._file.setnchannels(1)
        self._file.setsampwidth(2)
        self._file.setframerate(rate)
        self._start_s: float | None = None
        self._written = 0

    def begin(self, signal: Signal, now_s: float) -> None:
        self.step(now_s)
        self._voice.begin(signal)

    def step(self, now_s: float) -> None:
        if self._start_s is None:
            self._start_s = now_s
        count = round((now_s - self._start_s) * self._voice.rate) - self._written
        if count > 0:
            self._file.writeframes(little(self._voice.take(count)))
            self._written += count

    def close(self) -> None:
        self._file.close()
        self._raw.close()


def little(samples: array[int]) -> bytes:
    """As 16-bit little-endian, whatever the computer has."""
    if sys.byteorder == "big":
        samples = samples[:]
        samples.byteswap()
    return samples.tobytes()


class PinPlayer:
    """Notes on an output pin, on and off as time goes by. It has one loudness."""

    def __init__(self, pin: Pin, words: str) -> None:
        self.words = words
        self._pin = pin
        self._edges: list[tuple[float, float]] = []  # time, frequency from then on; 0: off

    def begin(self, signal: Signal, now_s: float) -> None:
        at, self._edges = now_s, []
        for note in signal.notes:
            self._edges.append((at, note.frequency_hz))
            at += note.length_s
        self._edges.append((at, 0.0))
        self.step(now_s)

    def step(self, now_s: float) -> None:
        due = [frequency for at, frequency in self._edges if at <= now_s]
        if not due:
            return
        del self._edges[: len(due)]
        try:
            if due[-1]:
                self._pin.on(due[-1])
            else:
                self._pin.off()
        except Exception as error:  # a pin's library may fail as it likes; the loop must not
            self.words, self._edges = f"no sound: the output pin failed ({error})", []

    def close(self) -> None:
        with suppress(Exception):
            self._pin.off()
            self._pin.close()
