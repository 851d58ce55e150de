"""What happened on the way, by chainage: reference lost, hands, faults, holds, requests, marks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from firmware_py.asgraded.chainage import STILL_M, Along, overridden
from firmware_py.asgraded.columns import LINKS, Bools
from firmware_py.guard.table import BY_NAME
from firmware_py.messages import (
    SIDES,
    AcceptTransition,
    EndState,
    Link,
    MarkPin,
    Mode,
    Nudge,
    NudgeCrossfall,
    RefuseTransition,
    Request,
    SetDatum,
    Side,
)
from firmware_py.messages import Mark as MarkRequest

JOIN_S = 0.5  # two spans nearer than this are one
LEAST_S = 0.05  # a shorter one is a flicker between two ticks
LEAST_HOLD_S = 0.3  # moving off, the last hold of standing is not yet over


@dataclass(frozen=True)
class Span:
    """Something that lasted: where (m) and when (s since the log's start), and its words."""

    what: str
    start: float
    end: float
    start_s: float
    seconds: float
    words: str = ""
    log: int = 0


def spans(trip: Along, mask: Bools, what: str, words: str = "", log: int = 0) -> Iterator[Span]:
    """The spans of a mask of ticks; near ones are joined, flickers left out."""
    time = trip.columns.time
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0) - 1
    joined: list[tuple[int, int]] = []
    for first, last in zip(starts.tolist(), ends.tolist(), strict=True):
        if joined and time[first] - time[joined[-1][1]] < JOIN_S:
            joined[-1] = joined[-1][0], last
        else:
            joined.append((first, last))
    for first, last in joined:
        seconds = float(time[last] - time[first]) + trip.run.tick_s
        if seconds >= LEAST_S:
            where = trip.at[first : last + 1]
            yield Span(
                what, float(where.min()), float(where.max()), float(time[first] - time[0]),
                seconds, words, log,
            )  # fmt: skip


def working(trip: Along) -> Bools:
    """Ticks from the first automatic (or cue-only) one on: what came before was setting up."""
    begun = trip.columns.modes(Mode.AUTO, Mode.CUE_ONLY)
    found: Bools = np.logical_or.accumulate(begun)
    return found


def lost(trip: Along, log: int = 0) -> list[Span]:
    """Where an end that a bar leads had no reference, not even by prediction."""
    out: list[Span] = []
    for side in SIDES:
        end = trip.columns.ends[side]
        if side in trip.led:
            gone = end.link == LINKS.index(Link.SEARCHING)
            out += spans(trip, gone & working(trip), f"{side.value} reference lost", log=log)
    return out


def coasted(trip: Along) -> float:
    """Share of the graded ticks in which a leading bar went on by prediction alone."""
    graded = trip.graded
    link = trip.columns.ends[trip.master].link
    count = int(graded.sum())
    coasting = (link == LINKS.index(Link.COASTING)) & graded
    return float(np.count_nonzero(coasting)) / count if count else float("nan")


def hands(trip: Along, log: int = 0) -> list[Span]:
    """Where a hand was on a lever."""
    return list(spans(trip, overridden(trip.columns) & working(trip), "hand on a lever", log=log))


def holds(trip: Along, log: int = 0) -> list[Span]:
    """Where, driving forward, an end was held or the valves were neutral."""
    c, moving = trip.columns, trip.step > STILL_M
    out: list[Span] = []
    for side in SIDES:
        held = c.ends[side].states(EndState.HOLD) & moving
        out += spans(trip, held, f"{side.value} end held", log=log)
    neutral = c.modes(Mode.NEUTRAL) & moving & working(trip)
    words = "driven forward without control: what that did is not known; figures are of before"
    out += spans(trip, neutral, "valves neutral", words, log)
    return [one for one in out if one.seconds >= LEAST_HOLD_S]


def faults(trip: Along, log: int = 0) -> list[Span]:
    """Each fault from the first automatic tick on, with the words that the driver read."""
    out: list[Span] = []
    for name in trip.columns.fault_names:
        row = BY_NAME.get(name)
        mask = trip.columns.fault(name) & working(trip)
        out += spans(trip, mask, name, row.words if row is not None else "", log)
    return sorted(out, key=lambda one: one.start_s)


@dataclass(frozen=True)
class Word:
    """One thing that the driver asked for, or noted: where (m), when (s), in words."""

    at: float
    time_s: float
    words: str
    log: int = 0


def words(trip: Along, log: int = 0) -> list[Word]:
    """Datums, nudges, crossfall steps and marks that were done, in order."""
    out = []
    for said in trip.run.said:
        told = _told(trip, said.request)
        if told:
            row = min(int(np.searchsorted(trip.columns.number, said.number)), len(trip.at) - 1)
            since = said.time - float(trip.columns.time[0])
            out.append(Word(float(trip.at[row]), since, told, log))
    return out


def _told(trip: Along, request: Request) -> str:
    """A request in words; "" for what changes no target and marks no place."""
    turn, told = trip.run.against, ""
    match request:
        case SetDatum(end=end):
            told = f"datum set at the {_side(end, turn)} end"
        case Nudge(end=end, step_m=step):
            told = f"{_side(end, turn)} offset {1e3 * step:+.1f} mm"
        case NudgeCrossfall(step=step):
            told = f"crossfall {100.0 * (-step if turn else step):+.2f} %"
        case RefuseTransition():
            told = "transition refused"
        case AcceptTransition():
            told = "transition accepted"
        case MarkPin(name=name):
            told = f"at pin {name}" if name else "at a pin"
        case MarkRequest(text=text):
            told = f"mark: {text}" if text else "mark"
    return told


def _side(end: Side, turn: bool) -> str:
    return (end.other if turn else end).value
