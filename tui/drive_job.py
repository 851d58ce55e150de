"""The two lines of the Drive pane that speak of the job: chainage and cut, and what is ahead."""

from __future__ import annotations

from firmware_py.messages import Tick
from tui.canvas import Canvas, Ink, Rect
from tui.drive_words import Seen, marked

ROWS = 2
TWO_SIGMA = 2.0  # what stands after the plus-minus sign
PIN = ("pin:", "pin-", "pin ")  # a mark that begins so names a pin; space shuts the valves


def followed(tick: Tick | None) -> bool:
    """Whether a job is followed, by what the tick tells of it."""
    return tick is not None and (tick.chainage_m is not None or bool(tick.notice))


def pin_named(text: str) -> str:
    """The pin that a mark's words name: 'pin:P3' gives 'P3'; '' for any other mark."""
    return text[len(PIN[0]) :].strip() if text.lower().startswith(PIN) else ""


def paint(canvas: Canvas, rect: Rect, seen: Seen) -> None:
    """Both lines into the rows of rect."""
    tick = seen.known.tick
    if tick is None:
        return
    age = seen.known.age_s(seen.now_s)
    canvas.fitting(rect, [marked(words, age) for words in place_words(tick, seen)])
    canvas.fitting(rect._replace(y=rect.y + 1), [tick.notice, short(tick.notice)], Ink.STRONG)


def place_words(tick: Tick, seen: Seen) -> list[str]:
    """'chainage 24.3 m ± 0.4 m; cutting 25, 55 left'; heights of the cut are mm."""
    u = seen.units
    at = "chainage not known"
    if tick.chainage_m is not None:
        sd = 0.0 if tick.chainage_sd_m is None else tick.chainage_sd_m
        at = f"chainage {u.distance(tick.chainage_m)} ± {u.distance(TWO_SIGMA * sd)}"
    cut = f"; {tick.cut} (mm)" if tick.cut else ""
    return [at + cut, at]


def short(notice: str) -> str:
    """The first of several things that are told."""
    return notice.split("; ", maxsplit=1)[0]
