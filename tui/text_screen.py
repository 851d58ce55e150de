"""The compact text view as a pure function: what is known of a run -> lines of text.

Nothing is said by colour or brightness; a number older than words.FRESH_S is marked STALE.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, field

from firmware_py.guide.cues import steer_in_words
from firmware_py.live.cautions import CAUTIONS, SHORT
from firmware_py.live.pipes import Hello
from firmware_py.live.words import FRESH_S, cue_words, signed_mm, speed_words
from firmware_py.messages import BAR_GUIDES, BarTick, EndTick, Guide, Side, Tick
from tui.text_picture import Scale, draw

STALE = "STALE"
UNKNOWN = "unknown"
LEAST_WIDTH, LEAST_HEIGHT = 50, 12
NAME = 11  # columns of a row's name
MOST_ROWS = 13  # of the picture
FEWEST_ROWS = 3
QUIT = "q stops the run"


@dataclass
class Known:
    """What the view has heard. ages are of the last tick, in s; None before the first."""

    hello: Hello | None = None
    tick: Tick | None = None
    age_s: float = 0.0
    notes: list[str] = field(default_factory=list)
    stopping: bool = False
    scale: Scale = field(default_factory=Scale)


def screen(known: Known, width: int, height: int) -> list[str]:
    """Exactly `height` lines of at most `width` characters."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        words = f"Make the window {LEAST_WIDTH} x {LEAST_HEIGHT} or larger. {QUIT}."
        body, foot = [words], []
    elif known.tick is None:
        body, foot = _waiting(known, width), [_foot(known, width)]
    else:
        body, foot = _running(known, known.tick, width, height), [_foot(known, width)]
    body = body[: height - len(foot)]
    lines = body + [""] * (height - len(foot) - len(body)) + foot
    return [line[:width] for line in lines]


def _waiting(known: Known, width: int) -> list[str]:
    lines = ["", " Before anything moves:", ""]
    for words in CAUTIONS:
        lines += textwrap.wrap(words, width - 6, initial_indent="   - ", subsequent_indent="     ")
    return [*lines, "", " Stopping ..." if known.stopping else " Starting ..."]


def _foot(known: Known, width: int) -> str:
    keys = "stopping ..." if known.stopping else QUIT
    room = width - len(keys) - 3
    words = SHORT if len(SHORT) <= room else "Prototype. Keep people away."[:room]
    return f" {words}{' ' * (room - len(words))} {keys}"


def _running(known: Known, tick: Tick, width: int, height: int) -> list[str]:
    head = [_title(known, tick, width), *_mode(known, tick, width)]
    ends = _ends(known, tick, width)
    rest = _rest(known, tick, width)
    free = height - 1 - len(head) - len(ends) - len(rest) - 3
    rows = min(free if free % 2 else free - 1, MOST_ROWS)
    picture = _picture(known, tick, width, rows) if rows >= FEWEST_ROWS else []
    return [*head, *ends, "", *picture, *([""] if picture else []), *rest]


def _title(known: Known, tick: Tick, width: int) -> str:
    hello = known.hello
    left = " LINEHOLD"
    right = ""
    if hello is not None:
        left += f"  rig {hello.rig}" + (" (simulated)" if hello.simulated else "")
        minutes, seconds = divmod(int(tick.time_s - hello.started_s), 60)
        right = f"running {minutes}:{seconds:02d} "
    return left + right.rjust(width - len(left))


def _mode(known: Known, tick: Tick, width: int) -> list[str]:
    """The mode in capitals and why: always two lines, so that nothing below jumps."""
    if _stale(known.age_s):
        words = f"no data from the loop for {known.age_s:.1f} s; what stands below is old"
        return [f" {STALE}: {words}", ""]
    mode = tick.mode.value.upper()
    why = tick.why if tick.why.rstrip(".").upper() != mode else ""
    whole = f" {mode}  {why}".rstrip()
    return [whole, ""] if len(whole) <= width else [f" {mode}", f"   {why}"]


def _stale(age_s: float) -> bool:
    return not age_s <= FRESH_S


def marked(text: str, age_s: float) -> str:
    """The text, plainly marked when it is too old to be taken for the present."""
    return f"{text} {STALE}" if _stale(age_s) else text


def _seen_age(known: Known, tick: Tick, side: Side) -> float:
    """Age of what an end's numbers rest on: the tick, and its bar's last look at the reference."""
    if tick.end(side).guide not in BAR_GUIDES:
        return known.age_s
    bar = _bar(tick, side)
    return known.age_s + _unseen(bar)


def _unseen(bar: BarTick | None) -> float:
    """Age of a bar's last look at its reference; endless before the first."""
    if bar is None:
        return 0.0
    return math.inf if bar.unseen_s is None else bar.unseen_s


def _bar(tick: Tick, side: Side) -> BarTick | None:
    return next((bar for bar in tick.bars if bar.end is side), None)


def _ends(known: Known, tick: Tick, width: int) -> list[str]:
    half = width // 2
    columns = [_end(side, tick.end(side), _seen_age(known, tick, side)) for side in Side]
    return [
        f" {left[: half - 2]:<{half - 1}}{right[: width - half]}"
        for left, right in zip(*columns, strict=True)
    ]


def _end(side: Side, end: EndTick, age_s: float) -> list[str]:
    why = f" ({end.why})" if end.why else ""
    if end.error_m is None:
        off = "error unknown"
    else:
        sd = "" if end.error_sd_m is None else f", sd {end.error_sd_m * 1e3:.1f}"
        off = f"{signed_mm(end.error_m)} mm off target{sd}"
    cue = _end_cue(side, end)
    offset = f"offset {signed_mm(end.offset_m)} mm" if end.guide is not Guide.BY_HAND else ""
    return [
        f"{side.value.upper()} END follows {end.guide.value}",
        f"{end.state.value}{why}",
        marked(off, age_s),
        marked(cue, age_s),
        offset,
    ]


def _end_cue(side: Side, end: EndTick) -> str:
    if end.cue_m is None and end.guide in (Guide.HOLD, Guide.BY_HAND):
        return "no cue: nothing leads this end"
    return cue_words(side, end)


def _picture(known: Known, tick: Tick, width: int, rows: int) -> list[str]:
    values = [None if (e := tick.end(side).error_m) is None else e * 1e3 for side in Side]
    row_mm = known.scale.choose([v for v in values if v is not None], rows)
    blade = known.hello.width_m if known.hello is not None else 0.0
    lines = draw(*values, width=width, rows=rows, row_mm=row_mm, blade_m=blade)
    if _stale(known.age_s):
        lines[0] = f"{lines[0]:<{width - len(STALE) - 2}} {STALE}"
    return lines


def _rest(known: Known, tick: Tick, width: int) -> list[str]:
    age = known.age_s
    speed = speed_words(tick.speed_mps)
    chainage = UNKNOWN if tick.distance_m is None else f"{tick.distance_m:.1f} m"
    rows = [
        ("Steering", _steering(known, tick)),
        ("Crossfall", marked(_crossfall(tick), age)),
        ("Driving", marked(f"speed {speed}, travelled {chainage}", age)),
        ("Faults", marked(", ".join(tick.faults) or "none", age)),
        ("Data", f"{age:.2f} s old" if not _stale(age) else f"{STALE}, {age:.1f} s old"),
        ("Recording", _tail(known.hello.recording if known.hello else UNKNOWN, width - NAME - 2)),
    ]
    if known.notes:
        rows.append(("Note", known.notes[-1]))
    return [f" {name:<{NAME}}{text}" for name, text in rows]


def _steering(known: Known, tick: Tick) -> str:
    master = known.hello.master if known.hello is not None else Side.LEFT
    bar = _bar(tick, master)
    age = known.age_s + _unseen(bar)
    words = steer_in_words(tick.steer_m)
    if tick.steer_m is None:
        return marked(words, known.age_s)
    off = round(tick.steer_m * 1e3)
    side = "left of" if off > 0 else "right of" if off < 0 else "from"
    return marked(f"{words}  (reference {abs(off)} mm {side} the bar's middle)", age)


def _crossfall(tick: Tick) -> str:
    actual = UNKNOWN if tick.crossfall is None else f"{tick.crossfall * 100:.2f} %"
    return f"actual {actual}, target {tick.crossfall_target * 100:.2f} %"


def _tail(text: str, room: int) -> str:
    """The end of a path says more than its start."""
    return text if len(text) <= room else "..." + text[-(room - 3) :]
