"""What the panes say of a tick, with units, and how a number is marked that is too old."""

from __future__ import annotations

import math
from typing import NamedTuple

from firmware_py.link.frames import FRESH_S
from firmware_py.messages import BAR_GUIDES, EndTick, Guide, Side, Tick
from tui.known import Known
from tui.units import HEIGHT, Units

STALE = "STALE"
DASH = "—"
STRAIGHT = 0.005  # m; steering closer than this is straight, as firmware_py.guide.cues has it
LONG = 100.0  # mm; from here on a big number has no decimals


class Seen(NamedTuple):
    """What a pane draws from."""

    known: Known
    now_s: float
    units: Units
    chosen: frozenset[Side]


def is_stale(age_s: float) -> bool:
    """True also for an age that is no number."""
    return not age_s <= FRESH_S


def age_words(age_s: float) -> str:
    """'STALE 1.2 s', and '' while fresh."""
    if not is_stale(age_s):
        return ""
    return f"{STALE} {age_s:.1f} s" if age_s < 1e4 else STALE


def marked(words: str, age_s: float) -> str:
    """The words, marked when they are too old to be taken for the present."""
    return f"{words} {STALE}" if is_stale(age_s) else words


def end_age_s(seen: Seen, tick: Tick, side: Side) -> float:
    """Age of what an end's error rests on: the tick, and the bar's last look at the reference."""
    age = seen.known.age_s(seen.now_s)
    guide = tick.end(side).guide
    by = side.other if guide is Guide.FALL else side
    if tick.end(by).guide not in BAR_GUIDES:
        return age
    return age + unseen_s(seen.known, by)


def unseen_s(known: Known, side: Side) -> float:
    """Age of a bar's last look at its reference in the newest tick; endless before the first."""
    bar = known.bar(side)
    if bar is None:
        return 0.0
    return math.inf if bar.unseen_s is None else bar.unseen_s


def cue(end: EndTick, units: Units) -> str:
    """'raise 4 mm', 'on level', 'no datum', 'no reference'; where nothing leads: 'no cue'."""
    if end.cue_m is None:
        if end.guide in (Guide.HOLD, Guide.BY_HAND):
            return "no cue"
        return "no datum" if end.guide in BAR_GUIDES and end.datum_m is None else "no reference"
    if end.cue_m == 0.0:
        return "on level"
    return f"{'raise' if end.cue_m > 0 else 'lower'} {units.height_rough(end.cue_m)}"


def steer(steer_m: float | None, units: Units) -> str:
    """'steer left 35 mm'."""
    if steer_m is None:
        return "no steering cue"
    if abs(steer_m) < STRAIGHT:
        return "steer straight"
    return f"steer {'left' if steer_m > 0 else 'right'} {units.height_rough(steer_m)}"


def digits(metres: float | None, units: Units) -> str:
    """A signed height for big digits, without unit: '-4.0', '+112'."""
    if metres is None:
        return DASH
    if abs(metres) * 1e3 >= LONG:
        return f"{metres / HEIGHT[units.system].one:+.{0 if units.height_unit == 'mm' else 1}f}"
    return units.height_number(metres, signed=True)


def lasted(seconds: float) -> str:
    """'3.2 s', '45 s', '12 min': short, for it stands beside a state."""
    if seconds < 10.0:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"
