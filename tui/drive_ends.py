"""What stands about each blade end: its error in big digits, the cue, valve, state, offset."""

from __future__ import annotations

import math

from firmware_py.messages import EndTick, Side
from tui import big
from tui.canvas import Canvas, Ink, Rect
from tui.drive_words import (
    STALE,
    Seen,
    age_words,
    cue,
    digits,
    end_age_s,
    is_stale,
    lasted,
    marked,
)

WIDEST = "-88.8"  # mm; room is kept for so many digits
FEWEST, MOST = 3, 12  # cells of the valve bar to either side of its middle
ROUNDING = 1e-9


def size_for(width: int, height: int) -> int:
    """Size of the digits for a pane: 0 is three rows high, 1 five, 2 ten."""
    if width >= 190 and height >= 46:
        return 2
    return 1 if width >= 110 and height >= 28 else 0


def rows_for(size: int) -> int:
    """Rows that an end takes: its name, its digits, its cue in letters, its target."""
    letters = big.rows_of(size - 1) + 1 if size else 0
    return big.rows_of(size) + letters + 2


def effort(valve: float, cells: int) -> str:
    """The valve command as a bar from the middle: left lowers, right raises."""
    full = min(math.ceil(abs(valve) * cells - ROUNDING), cells)
    low = "█" * full if valve < 0 else ""
    high = "█" * full if valve > 0 else ""
    return f"▕{low:·>{cells}}│{high:·<{cells}}▏"


def valve_words(valve: float) -> str:
    """'valve +31 %'; what rounds to nothing has no sign."""
    percent = round(valve * 100)
    return f"valve {percent:+d} %" if percent else "valve 0 %"


def paint(canvas: Canvas, rect: Rect, side: Side, size: int, seen: Seen) -> None:
    """One end in its half of the pane."""
    tick = seen.known.tick
    if tick is None:
        return
    end, old = tick.end(side), age_words(end_age_s(seen, tick, side))
    tick_age = seen.known.age_s(seen.now_s)
    _head(canvas, rect, side, end, seen)
    number = "-" if old or end.error_m is None else digits(end.error_m, seen.units)
    ink = Ink.FAINT if old else Ink.LEFT if side is Side.LEFT else Ink.RIGHT
    big.draw(canvas, (rect.x + 1, rect.y + 1), number, size, ink)
    x = rect.x + big.width_of(WIDEST, size) + 2
    beside = Rect(x, rect.y + 1, rect.x + rect.width - x, rect.height - 2)
    words = cue(end, seen.units)
    canvas.text(x, rect.y + 1, old or words, Ink.STRONG, beside.width)
    second = [f"was {words}"] if old else _error(end, seen)
    canvas.fitting(Rect(x, rect.y + 2, beside.width, 1), second)
    cells = min(max((beside.width - len(valve_words(-1.0)) - 4) // 2, FEWEST), MOST)
    valve = valve_words(end.valve)
    valve += f" {STALE}" if is_stale(tick_age) else f" {effort(end.valve, cells)}"
    canvas.text(x, rect.y + 3, valve, Ink.PLAIN, beside.width)
    if size:
        at = rect.x + 1, rect.y + big.rows_of(size) + 2
        _letters(canvas, at, rect.width - 2, size - 1, old or words)
    said = [marked(words, tick_age) for words in _targets(end, seen)]
    canvas.fitting(Rect(rect.x + 1, rect.y + rect.height - 1, rect.width - 2, 1), said)


def _head(canvas: Canvas, rect: Rect, side: Side, end: EndTick, seen: Seen) -> None:
    name = f"{side.value.upper()} END"
    name = f"[{name}]" if side in seen.chosen else f" {name} "
    x = canvas.text(rect.x, rect.y, name, Ink.STRONG)
    words = f"{end.guide.value}, {end.state.value} {lasted(end.state_s)}"
    tick_age = seen.known.age_s(seen.now_s)
    canvas.text(x + 1, rect.y, marked(words, tick_age), Ink.PLAIN, rect.x + rect.width - x - 2)


def _letters(canvas: Canvas, at: tuple[int, int], room: int, size: int, words: str) -> None:
    """The cue in letters, smaller where it would not fit."""
    fits = [n for n in range(size, -1, -1) if big.width_of(words, n) <= room]
    if fits:
        big.draw(canvas, at, words, fits[0], Ink.STRONG)


def _error(end: EndTick, seen: Seen) -> list[str]:
    """The error with its spread; the first that fits is shown, for half a number misleads."""
    u = seen.units
    if end.error_m is None:
        return ["error not known"]
    error = u.height(end.error_m, signed=True)
    if end.error_sd_m is None:
        return [f"error {error}"]
    sd = u.height_number(end.error_sd_m)
    return [f"error {error}, sd {sd}", f"{error}, sd {sd}", f"error {error}"]


def _reason(end: EndTick) -> str:
    """Why the valve does what it does; '' when there is nothing to say."""
    if end.why:
        return end.why
    if end.held:
        return "held as asked"
    if end.capped:
        return "at its speed limit"
    return "in the dead band" if end.in_dead_band else ""


def _targets(end: EndTick, seen: Seen) -> list[str]:
    """Reason, offset and datum; the longest that fits is shown."""
    u = seen.units
    reason = f"{_reason(end)}; " if _reason(end) else ""
    offset = u.height_number(end.offset_m, signed=True)
    unit = u.height_unit
    if end.datum_m is None:
        return [f"{reason}no datum, offset {offset} {unit}", f"{reason}no datum"]
    datum = f"datum {u.height_number(end.datum_m)} {unit}"
    return [
        f"{reason}offset {offset} {unit} since datum, {datum}",
        f"{reason}offset {offset}, {datum}",
        f"{reason}offset {offset} {unit}",
        reason.rstrip("; "),
    ]
