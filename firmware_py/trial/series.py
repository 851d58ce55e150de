"""A trial's columns as the score and the picture need them, one value a tick. SI units.

Height errors are actual - target, > 0 too high; a target moves with what the driver asks for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from firmware_py.job import Job
from firmware_py.messages import BAR_GUIDES, EndState, Guide, Link, Mode, Side, Tick
from firmware_py.settings import MM, Rig
from firmware_py.trial.asked import along_job
from firmware_py.trial.score import Bools, Floats, forward_travel
from firmware_py.trial.scorer import Scorer, Zone
from firmware_py.trial.setup import led_ends

NOT_HELD = (EndState.LED, EndState.COAST, EndState.OVERRIDE, EndState.BY_HAND)
WRONG_M = 0.015  # off by more, what is tracked is not the reference


@dataclass(frozen=True)
class Series:
    """Columns by name; those by end are dicts. `guided` is the end whose bar leads (or None)."""

    time: Floats  # since the start
    travelled: Floats
    chainage: Floats
    weight: Floats
    error: dict[Side, Floats]  # against the design surface
    graded: dict[Side, Floats]  # of what the blade left behind, above the job's target
    raised: Floats  # how far the job kept both ends over that target on purpose
    oil: dict[Side, Floats]
    guided: Side | None
    reference_error: Floats  # of the guided end, against its real reference
    estimate_gap: Floats  # of the guided end: estimated less true error against its reference
    crossfall: Floats
    crossfall_target: Floats
    lateral: Floats  # true, of the master bar
    lateral_gap: Floats  # estimated less true
    wrong: dict[Side, Bools]  # tracking something that is not the reference
    lost: Bools
    held: Bools
    by_hand: Bools
    automatic: Bools
    capped: Bools
    in_view: Bools
    zones: tuple[Zone, ...]
    from_s: float = 0.0  # when the pass that counts was driven off


def make_series(
    scorer: Scorer, rig: Rig, run_in_m: float, job: Job | None = None, from_s: float = 0.0
) -> Series:
    """All columns of a finished trial; only what was driven from from_s on counts."""
    led = led_ends(rig)
    guided = led[0] if led else None
    travelled = scorer.of_truth("travelled_m")
    asked = None if job is None else along_job(scorer, job, rig)
    crossfall_moved = _crossfall_moved(scorer) if asked is None else asked.crossfall
    shift = _targets(scorer, rig, crossfall_moved)
    raised = scorer.of_tick(lambda tick: tick.raised_m)
    if asked is not None:
        shift = {side: shift[side] + asked.offset for side in Side}
    ends = {side: scorer.of_truth(f"{side.value}_error_m") for side in Side}
    final = shift
    shift = {side: final[side] + raised for side in Side} if job is not None else final
    own, gap = _against_reference(scorer, guided, ends, shift)
    master = rig.control.master
    lateral = scorer.of_bar_truth(master, "lateral_m")
    time_s = scorer.of_truth("time_s")
    weight = forward_travel(travelled, run_in_m)
    if from_s:
        weight[: np.searchsorted(time_s - time_s[0], from_s)] = 0.0
        weight[travelled <= run_in_m] = 0.0
    return Series(
        time=time_s - time_s[0],
        travelled=travelled,
        chainage=scorer.of_truth("chainage_m"),
        weight=weight,
        error={side: ends[side] - shift[side] for side in Side},
        graded={side: scorer.of_truth(f"{side.value}_graded_m") - final[side] for side in Side},
        raised=raised,
        oil={side: scorer.of_truth(f"{side.value}_oil") for side in Side},
        guided=guided,
        reference_error=own,
        estimate_gap=gap,
        crossfall=scorer.of_truth("crossfall"),
        crossfall_target=scorer.of_truth("crossfall_target") + crossfall_moved,
        lateral=lateral,
        lateral_gap=_lateral_known(scorer, rig) - lateral,
        wrong={side: _wrong(scorer, side) for side in Side},
        lost=_lost(scorer, rig),
        held=_mask(scorer, _is_held),
        by_hand=_mask(scorer, lambda t: EndState.OVERRIDE in (t.left.state, t.right.state)),
        automatic=_mask(scorer, lambda t: t.mode is Mode.AUTO),
        capped=_mask(scorer, lambda t: t.left.capped or t.right.capped),
        in_view=scorer.of_bar_truth(master, "in_view") > 0.5,
        zones=tuple(scorer.zones(guided)) if guided is not None else (),
        from_s=from_s,
    )


def _lateral_known(scorer: Scorer, rig: Rig) -> Floats:
    """The master bar's estimate; over a surface there is nothing to estimate."""
    master = rig.control.master
    if rig.end(master).guide is Guide.SURFACE:
        return np.full(len(scorer.ticks), np.nan)
    return scorer.of_bar(master, lambda bar: bar.lateral_m)


def _mask(scorer: Scorer, pick: Callable[[Tick], bool]) -> Bools:
    return np.fromiter((pick(tick) for tick in scorer.ticks), bool, len(scorer.ticks))


def _is_held(tick: Tick) -> bool:
    """Some end's valve is shut that neither the driver's hand nor the job wants shut."""
    return any(end.state not in NOT_HELD for end in (tick.left, tick.right))


def _crossfall_moved(scorer: Scorer) -> Floats:
    asked = scorer.of_tick(lambda tick: tick.crossfall_target)
    moved: Floats = asked - asked[0]
    return moved


def _targets(scorer: Scorer, rig: Rig, crossfall_moved: Floats) -> dict[Side, Floats]:
    """How far each end's target was moved since the start by nudges of offset and crossfall."""
    offset = {
        Side.LEFT: scorer.of_tick(lambda tick: tick.left.offset_m),
        Side.RIGHT: scorer.of_tick(lambda tick: tick.right.offset_m),
    }
    turned = rig.blade.width_mm * MM * crossfall_moved
    out = {}
    for side in Side:
        out[side] = offset[side]
        if rig.end(side).guide is Guide.FALL:
            out[side] = offset[side] + offset[side.other] + side.sign * turned
    return out


def _against_reference(
    scorer: Scorer, guided: Side | None, ends: dict[Side, Floats], shift: dict[Side, Floats]
) -> tuple[Floats, Floats]:
    """The guided end's error against the reference as it really stands, and the estimate's gap.

    The reference's own deviation (sag, survey) at the moment of the datum counts as zero: the
    driver set the datum there. The controller's error in taking the datum stays in.
    """
    nothing = np.full(len(scorer.ticks), np.nan)
    if guided is None:
        return nothing, nothing
    known = scorer.of_tick(lambda tick: tick.end(guided).error_m)
    gone = ends[guided] - scorer.of_truth(f"{guided.value}_string_error_m")
    first = np.flatnonzero(np.isfinite(known))
    at_datum = gone[first[0]] if first.size else gone[0]
    own = ends[guided] - (gone - at_datum) - shift[guided]
    return own, known - own


def _wrong(scorer: Scorer, side: Side) -> Bools:
    tracking = scorer.of_bar(side, lambda bar: bar.link is Link.TRACKING)
    believed = scorer.of_bar(side, lambda bar: bar.clearance_m)
    off = np.abs(believed - scorer.of_bar_truth(side, "clearance_m"))
    wrong: Bools = (tracking == 1.0) & (off > WRONG_M)
    return wrong


def _lost(scorer: Scorer, rig: Rig) -> Bools:
    """An end that a bar should lead has no reference, not even by prediction."""
    sides = [side for side in rig.bars if rig.end(side).guide in BAR_GUIDES]
    gone = _mask(scorer, lambda tick: "reference lost" in tick.faults)
    for side in sides:
        gone |= scorer.of_bar(side, lambda bar: bar.link is Link.SEARCHING) == 1.0
    return gone
