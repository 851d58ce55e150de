"""The top of every screen: mode and why, faults in words, and the banner over the full width."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import NamedTuple

from firmware_py.guard.table import BY_NAME
from firmware_py.live.cautions import SHORT
from firmware_py.messages import Mode, Tick
from tui.canvas import Board, Canvas, Ink
from tui.drive_words import STALE
from tui.keys import BY_NAME as ACTIONS
from tui.keys import SCREENS, key_words
from tui.known import Known

LINES = 2  # mode, faults
MOST_BANNER = 2  # rows
MODES = {Mode.AUTO: "AUTO", Mode.NEUTRAL: "NEUTRAL", Mode.CUE_ONLY: "CUE ONLY"}


class Tab(NamedTuple):
    """A screen's name at the top: its action, its columns, and whether it is the present one."""

    action: str
    words: str
    here: bool


def banner(known: Known, now_s: float) -> str:
    """What is wrong with what is shown; '' when nothing is."""
    if known.lost:
        return f"LINK LOST: {known.lost} What stands below is old."
    if known.tick is None:
        return "NO DATA YET: waiting for the loop's first tick."
    if not known.fresh(now_s):
        age = known.age_s(now_s)
        return f"{STALE} DATA: no tick from the loop for {age:.1f} s. What stands below is old."
    if known.host is not None and known.host.recording:
        return f"RECORDING STOPPED: {known.host.recording}"
    return ""


def banner_lines(known: Known, now_s: float, width: int) -> list[str]:
    """The banner in rows of the width; at most MOST_BANNER."""
    words = banner(known, now_s)
    return textwrap.wrap(words, max(width - 2, 10), max_lines=MOST_BANNER, placeholder=" ...")


def faults(tick: Tick) -> list[str]:
    """The active faults in the driver's words, the most important first."""
    return [BY_NAME[name].words if name in BY_NAME else name for name in tick.faults]


def why_words(tick: Tick) -> str:
    """Why the mode is what it is, and the active faults; said once when they are the same."""
    said = [tick.why] if tick.why and tick.why.rstrip(".").upper() != tick.mode.upper() else []
    said += [words for words in faults(tick) if words not in said]
    if tick.check_due and not said:
        said = ["A check level is due: screen 5."]
    return "  +  ".join(said)


def mode_words(known: Known, now_s: float) -> str:
    """The mode in capitals; never as if it were fresh when it is not."""
    tick = known.tick
    if tick is None:
        return "STARTING"
    return MODES[tick.mode] if known.fresh(now_s) else f"{STALE}: was {MODES[tick.mode]}"


def paint(
    canvas: Canvas, known: Known, now_s: float, tabs: list[Tab]
) -> list[tuple[int, int, str]]:
    """Draws the head; returns the columns of the tabs of row 0: first, after the last, action."""
    stale = not known.fresh(now_s)
    x = canvas.text(0, 0, f" {mode_words(known, now_s)} ", Ink.ALARM if stale else Ink.HEAD)
    spans = _tabs(canvas, tabs)
    first = spans[0][0] if spans else canvas.width
    tick, hello = known.tick, known.hello
    if tick is not None and hello is not None:
        minutes, seconds = divmod(int(max(tick.time_s - hello.started_s, 0.0)), 60)
        sim = ", simulated" if hello.simulated and not hello.real else ""
        sim = f", real {' '.join(hello.real)}" if hello.real else sim
        for words in (f"{hello.rig}{sim}, {minutes}:{seconds:02d}", f"{minutes}:{seconds:02d}"):
            if x + 2 + len(words) < first:
                canvas.text(x + 1, 0, words, Ink.FAINT)
                break
    _why(canvas, known)
    for row, line in enumerate(banner_lines(known, now_s, canvas.width)):
        canvas.text(0, LINES + row, f" {line}".ljust(canvas.width), Ink.ALARM)
    return spans


def _tabs(canvas: Canvas, tabs: list[Tab]) -> list[tuple[int, int, str]]:
    words = [f"[{tab.words}]" if tab.here else f" {tab.words} " for tab in tabs]
    x = canvas.width - sum(len(w) for w in words)
    spans = []
    for tab, word in zip(tabs, words, strict=True):
        end = canvas.text(x, 0, word, Ink.STRONG if tab.here else Ink.FAINT)
        spans.append((x, end, tab.action))
        x = end
    return spans


def _why(canvas: Canvas, known: Known) -> None:
    tick = known.tick
    if tick is None:
        canvas.text(1, 1, SHORT, Ink.WARNING)
        return
    words = why_words(tick)
    if not words:
        canvas.text(1, 1, f"No fault. {SHORT}", Ink.FAINT)
        return
    room = canvas.width - 2
    more = len(tick.faults)
    if len(words) > room:
        tail = f" ... {more} faults: see 3" if more > 1 else " ..."
        words = words[: room - len(tail)] + tail
    canvas.text(1, 1, words, Ink.WARNING)


class Head(Board):
    """The head as a widget; as high as it needs."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._spans: list[tuple[int, int, str]] = []

    def show(self, known: Known, now_s: float, keys: Mapping[str, str], pane: str) -> None:
        """Draw what is known now."""
        width = self.app.size.width
        lines = LINES + len(banner_lines(known, now_s, width))
        self.styles.height = lines
        canvas = Canvas(width, lines)
        self._spans = paint(canvas, known, now_s, _screens(keys, pane))
        self.draw(canvas)

    def action_at(self, x: int, y: int) -> str | None:
        """The action under a click."""
        return next((name for a, b, name in self._spans if y == 0 and a <= x < b), None)


def _screens(keys: Mapping[str, str], pane: str) -> list[Tab]:
    return [
        Tab(name, f"{key_words(keys[name])} {ACTIONS[name].words}", name == f"show_{pane}")
        for name in SCREENS
    ]
