"""What a trial's result must say first: that it gave up, was held, or lost its reference."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from firmware_py.guard.table import ROWS, Recovery, Response
from firmware_py.messages import Mode, Tick
from firmware_py.trial import score
from firmware_py.trial.score import Bools, Floats
from firmware_py.trial.series import Series

MOST_HELD = 0.01  # share of the metres: more, and the words of the result begin with it
MOST_LOST = 0.02  # share of the metres; the same
LATCHING = frozenset(
    row.name for row in ROWS if row.recovery is Recovery.ASK and row.response is Response.NEUTRAL
)

Span = tuple[float, float]  # s since the start


def troubles(
    series: Series, ticks: Sequence[Tick], ended: str, planned: Sequence[Span]
) -> list[str]:
    """A sentence for each; none for a trial that went as it was meant to.

    planned: when the script itself had the machine held.
    """
    weight, whole = series.weight, float(series.weight.sum())
    asked = within(series.time, planned)
    told = [_sentence(ended)] if ended else []
    told += _latched(series, ticks, asked)
    held = score.share(series.held & ~asked, weight)
    if held > MOST_HELD:
        told.append(f"The machine was held for {held:.1%} of the {whole:.0f} m that count, "
                    "which the trial had not planned.")  # fmt: skip
    lost = score.share(series.lost, weight)
    if lost > MOST_LOST:
        told.append(f"The reference was lost for {lost:.1%} of the {whole:.0f} m that count.")
    return [words.replace("%", " %") for words in told]


def within(time_s: Floats, spans: Sequence[Span]) -> Bools:
    """True where a time lies in one of the spans."""
    mask: Bools = np.zeros(time_s.size, bool)
    for first, last in spans:
        mask |= (time_s >= first) & (time_s <= last)
    return mask


def _latched(series: Series, ticks: Sequence[Tick], asked: Bools) -> list[str]:
    """Each fault that took the automatic off until the driver engages again."""
    told = []
    for at, name in _latches(ticks):
        if not asked[at]:
            back = np.flatnonzero(series.automatic[at:])
            gone = series.travelled[at + back[0]] if back.size else series.travelled[-1]
            off_m = max(float(gone - series.travelled[at]), 0.0)
            told.append(
                f'The fault "{name}" took the automatic off after {series.travelled[at]:.0f} m, '
                + (f"for {off_m:.0f} m." if back.size else "and it stayed off to the end.")
            )
    return told


def _latches(ticks: Sequence[Tick]) -> Iterator[tuple[int, str]]:
    engaged = False
    for at, tick in enumerate(ticks):
        if tick.mode is Mode.AUTO:
            engaged = True
        elif engaged and (found := [name for name in tick.faults if name in LATCHING]):
            engaged = False
            yield at, found[0]


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."
