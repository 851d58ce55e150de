"""What the driver hears: from ticks to notes, and from notes to samples. Time is an argument.

Low is left, high is right. A single pip: steer there. Two notes that rise: raise that end; that
fall: lower it. One long note: that end has lost its reference. Nothing: on level and on line.
The alarm, quick notes from low to high and back, says that automatic is over; it cannot be muted.
Steering > 0: to the left; cue_m > 0: raise; loudness 0..1 of full scale.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from firmware_py.link.frames import FRESH_S
from firmware_py.messages import SIDES, EndState, EndTick, Guide, Mode, Side, Tick


def _tempered(number: int) -> float:
    """Hz of a note of equal temperament, 69 being A4 = 440 Hz (ISO 16:1975)."""
    return 440.0 * math.pow(2.0, (number - 69) / 12.0)


# All within 500 to 3000 Hz, where MIL-STD-1472E (5.3.3.1.1) wants audio signals if possible.
# That all of the left lies nearly an octave below all of the right is chosen: a pip is placed by
# itself, without another to compare it to, and 15 semitones are no octave, which would sound alike.
BASE_HZ = {Side.LEFT: _tempered(74), Side.RIGHT: _tempered(89)}  # D5 587 Hz, F6 1397 Hz
UPPER_HZ = {Side.LEFT: _tempered(79), Side.RIGHT: _tempered(94)}  # G5 784 Hz, A#6 1865 Hz
ALARM_HZ = (_tempered(84), _tempered(96))  # C6 1047 Hz and C7 2093 Hz, which no cue has

# Lengths in s, chosen: a melody and a rhythm of its own for each meaning (Patterson & Mayfield,
# Phil. Trans. R. Soc. Lond. B 327, 1990: each sound a distinct melody and temporal pattern).
PIP_S = 0.09
PAIR_S = (0.10, 0.03, 0.15)  # first note, rest, second note
LONG_S = 0.40
ALARM_NOTE_S = 0.07
ALARM_NOTES = 8  # a burst of 0.56 s; MIL-STD-1472E (5.3.6.5) wants 0.5 s at least
ALARM_REST_S = 0.14  # between its two bursts
EDGE_S = 0.010  # raised cosine at both ends of a note: no click. Chosen; up to 25 ms is in use
CUT_S = 0.005  # of fade when something more urgent begins

CUE_FULL = 0.6  # loudness of a cue at volume 1
ALARM_LEAST, ALARM_MORE = 0.5, 0.4  # at volume 0, and what volume 1 adds: above every cue
# "Control movements shall be restricted to prevent reducing the volume to an inaudible level",
# MIL-STD-1472E (5.3.6.4.1); the floor itself is chosen.
ALARM_AGAIN_S = 0.5  # a change while the alarm has so long to go counts as sounded

STEER_OFF_M = 0.02  # steering closer than this is straight: silent. Chosen
STANDING_MPS = 0.02  # slower is standing; standing in neutral, cues are silent
LED_WAIT_S = 0.5  # an end that the loop leads has so long to come back by itself. Chosen
GAP_S = 0.25  # of silence after each cue at least, so that it never becomes a drone


class Pace(NamedTuple):
    """Seconds from cue to cue: slow at near_m and closer, quick at far_m and beyond."""

    near_m: float
    far_m: float
    slow_s: float
    quick_s: float

    def interval_s(self, off_m: float) -> float:
        share = (abs(off_m) - self.near_m) / (self.far_m - self.near_m)
        return self.slow_s + (self.quick_s - self.slow_s) * min(max(share, 0.0), 1.0)


# Shorter intervals are heard as more urgent: Haas & Edworthy, Comput. Control Eng. J. 7(4), 1996.
STEER_PACE = Pace(STEER_OFF_M, 0.10, 1.5, 0.5)  # 0.1 m: the reference soon leaves the bar
BLADE_PACE = Pace(0.002, 0.02, 2.0, 0.9)


class Note(NamedTuple):
    """frequency_hz 0: a rest."""

    frequency_hz: float
    length_s: float
    loudness: float


@dataclass(frozen=True)
class Signal:
    """What is to be heard from now on. urgent: it cuts off what is being heard."""

    words: str
    notes: tuple[Note, ...] = ()
    urgent: bool = False

    @property
    def length_s(self) -> float:
        return sum(note.length_s for note in self.notes)


HUSH = Signal("silence", urgent=True)


def steering(side: Side, loudness: float) -> Signal:
    """The reference lies to that side."""
    return Signal(f"steer {side}", (Note(BASE_HZ[side], PIP_S, loudness),))


def blade(side: Side, up: bool, loudness: float) -> Signal:
    """Raise (up) or lower an end."""
    low, high = BASE_HZ[side], UPPER_HZ[side]
    first, second = (low, high) if up else (high, low)
    begin_s, rest_s, end_s = PAIR_S
    notes = Note(first, begin_s, loudness), Note(0.0, rest_s, 0.0), Note(second, end_s, loudness)
    return Signal(f"{'raise' if up else 'lower'} {side}", notes)


def no_reference(side: Side, loudness: float) -> Signal:
    """That end had a cue and has none now."""
    return Signal(f"{side} lost its reference", (Note(BASE_HZ[side], LONG_S, loudness),))


def alarm(volume: float) -> Signal:
    """Automatic is over, or nobody knows; never below ALARM_LEAST."""
    loudness = ALARM_LEAST + ALARM_MORE * volume
    burst = tuple(Note(ALARM_HZ[k % 2], ALARM_NOTE_S, loudness) for k in range(ALARM_NOTES))
    return Signal("neutral", (*burst, Note(0.0, ALARM_REST_S, 0.0), *burst), urgent=True)


class _Wish(NamedTuple):
    due_s: float
    key: str
    signal: Signal


class Cues:
    """`update` with each tick, and with None about a hundred times a second between them."""

    def __init__(self, volume: float = 0.6, *, muted: bool = False) -> None:
        self.volume, self.muted = 0.0, muted
        self.set_volume(volume)
        self.now_s = -math.inf
        self.tick: Tick | None = None  # the newest while it is fresh
        self.mode: Mode | None = None  # of the newest tick while it is fresh
        self.cue_ends_s = self.alarm_ends_s = self.free_s = -math.inf
        self.last_s: dict[str, float] = {}  # when each kind of cue began last
        self.had_cue: set[Side] = set()
        self.to_tell: set[Side] = set()  # ends whose lost reference has not been heard yet
        self.off_since: dict[Side, tuple[bool, float]] = {}  # an end's way to go: up, since when

    def set_volume(self, volume: float) -> None:
        """Of the cues, 0..1. ValueError for anything else."""
        if not 0.0 <= volume <= 1.0:
            raise ValueError(f"a volume lies between 0 and 1, not {volume:g}")
        self.volume = volume

    def update(self, tick: Tick | None, now_s: float, *, lost: bool = False) -> Signal | None:
        """What begins now; None: nothing new. lost: the link is gone."""
        if not self.now_s <= now_s < math.inf:
            raise ValueError(f"time must not go back from {self.now_s} to {now_s} s")
        self.now_s = now_s
        over = tick is not None and self._take(tick)
        if lost or (self.tick is not None and not now_s - self.tick.time_s <= FRESH_S):
            over = over or self.mode in (Mode.AUTO, Mode.CUE_ONLY)
            self.tick = self.mode = None
            self.off_since.clear()
        if over:
            return self._alarm()
        if self.muted:
            return self._hush()
        return self._cue()

    def _take(self, tick: Tick) -> bool:
        """True when this tick ends automatic, or turns to neutral."""
        before, self.mode, self.tick = self.mode, tick.mode, tick
        for side in SIDES:
            self._take_end(side, tick.end(side))
        if before is Mode.AUTO:
            return tick.mode is not Mode.AUTO
        return before is Mode.CUE_ONLY and tick.mode is Mode.NEUTRAL

    def _take_end(self, side: Side, end: EndTick) -> None:
        if _known(end.cue_m) is not None:
            self.had_cue.add(side)
            self.to_tell.discard(side)
        elif side in self.had_cue:
            self.had_cue.remove(side)
            if end.guide not in (Guide.HOLD, Guide.BY_HAND):  # they have none by wish
                self.to_tell.add(side)
        off_m = _way_to_go(end)
        if not off_m:
            self.off_since.pop(side, None)
        elif self.off_since.get(side, (None, 0.0))[0] is not (off_m > 0):
            self.off_since[side] = off_m > 0, self.now_s

    def _alarm(self) -> Signal | None:
        if self.alarm_ends_s - self.now_s >= ALARM_AGAIN_S:
            return None
        signal = alarm(self.volume)
        self.alarm_ends_s = self.now_s + signal.length_s
        self.free_s = self.alarm_ends_s + GAP_S
        return signal

    def _hush(self) -> Signal | None:
        """Muted in the midst of a cue: off with it."""
        if self.cue_ends_s <= self.now_s or self.alarm_ends_s > self.now_s:
            return None
        self.cue_ends_s = self.now_s
        return HUSH

    def _cue(self) -> Signal | None:
        if self.tick is None or self.volume == 0.0 or self.now_s < self.free_s:
            return None
        wish = min(self._wishes(self.tick), key=lambda wish: wish.due_s, default=None)
        if wish is None or wish.due_s > self.now_s:
            return None
        self.last_s[wish.key] = self.now_s
        self.to_tell -= {side for side in SIDES if wish.key == f"lost {side}"}
        self.cue_ends_s = self.now_s + wish.signal.length_s
        self.free_s = self.cue_ends_s + GAP_S
        return wish.signal

    def _wishes(self, tick: Tick) -> Iterator[_Wish]:
        """Each cue that there is to give; the one due first goes first."""
        standing = tick.speed_mps is not None and abs(tick.speed_mps) < STANDING_MPS
        if tick.mode is Mode.NEUTRAL and standing:
            return
        loudness = CUE_FULL * self.volume
        for side in SIDES:
            if side in self.to_tell:
                yield _Wish(-math.inf, f"lost {side}", no_reference(side, loudness))
        off_m = _known(tick.steer_m)
        if off_m is not None and abs(off_m) > STEER_OFF_M:
            side = Side.LEFT if off_m > 0 else Side.RIGHT
            yield self._wish("steer", STEER_PACE.interval_s(off_m), steering(side, loudness))
        for side in SIDES:
            end = tick.end(side)
            off_m = _way_to_go(end)
            if off_m and not (end.state is EndState.LED and self._just_left(side)):
                signal = blade(side, off_m > 0, loudness)
                yield self._wish(side, BLADE_PACE.interval_s(off_m), signal)

    def _just_left(self, side: Side) -> bool:
        """True while an end may still come back by itself."""
        return self.now_s - self.off_since[side][1] < LED_WAIT_S

    def _wish(self, key: str, interval_s: float, signal: Signal) -> _Wish:
        return _Wish(self.last_s.get(key, -math.inf) + interval_s, key, signal)


def _known(value: float | None) -> float | None:
    """What is not finite is not known."""
    return value if value is not None and math.isfinite(value) else None


def _way_to_go(end: EndTick) -> float:
    """Metres to raise an end, < 0 to lower it; 0 in its dead band and when nobody knows."""
    return 0.0 if end.in_dead_band else _known(end.cue_m) or 0.0


FULL_SCALE = 32767  # of 16-bit samples


def render(signal: Signal, rate: int) -> array[int]:
    """The signal's 16-bit samples, mono, `rate` a second."""
    samples: array[int] = array("h")
    for note in signal.notes:
        samples += _note(note, rate)
    return samples


@lru_cache(maxsize=64)
def _note(note: Note, rate: int) -> array[int]:
    """A sine with raised-cosine edges."""
    count = round(note.length_s * rate)
    if not note.frequency_hz:
        return array("h", bytes(2 * count))
    turn, full = 2.0 * math.pi * note.frequency_hz / rate, FULL_SCALE * note.loudness
    edge = min(round(EDGE_S * rate), count // 2)
    samples = array("h", (round(full * math.sin(turn * k)) for k in range(count)))
    for k in range(edge):
        share = raised_cosine(k, edge)
        samples[k] = round(samples[k] * share)
        samples[-1 - k] = round(samples[-1 - k] * share)
    return samples


def raised_cosine(step: int, steps: int) -> float:
    """0 at the first step, towards 1 at the last."""
    return 0.5 - 0.5 * math.cos(math.pi * step / steps)
