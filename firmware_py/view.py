"""From the controller's state to the Tick that everybody else sees."""

from __future__ import annotations

import math

from firmware_py.guard.modes import Facts, Verdict
from firmware_py.guard.table import BY_NAME
from firmware_py.guide import cues
from firmware_py.guide.follow import Follow
from firmware_py.guide.targets import EndError
from firmware_py.messages import (
    LEFT,
    RIGHT,
    Answer,
    BarTick,
    EndState,
    EndTick,
    Guide,
    Side,
    Tick,
)
from firmware_py.parts import Parts

# asked for at every tick: to look up a member costs
HOLD, OVERRIDE, SURFACE = EndState.HOLD, EndState.OVERRIDE, Guide.SURFACE
OLD_S = 0.3  # s; a tilt that rests on nothing newer is not told


def make_tick(
    c: Parts, now_s: float, *, errors: dict[Side, EndError | None], verdict: Verdict,
    facts: Facts, answers: tuple[Answer, ...],
) -> Tick:  # fmt: skip
    """The Tick of this step."""
    inertial = c.senses.intakes[c.rig.inertial.device]
    known = c.senses.has_attitude and inertial.age(now_s) <= OLD_S
    blade = c.blade
    return Tick(
        c.seq, now_s, verdict.mode, verdict.why,
        _end(c, LEFT, errors, verdict, facts), _end(c, RIGHT, errors, verdict, facts),
        tuple(_bar(c, side, now_s) for side in blade.tracks),
        blade.crossfall() if known else None,
        math.sqrt(blade.roll_variance) if known else None,
        c.targets.fall_here,
        blade.roll if known else None,
        blade.pitch if known else None,
        blade.crab if known else None,
        cues.steer(blade, c.rig.control.master),
        c.senses.speed, c.senses.distance,
        tuple(name for name in BY_NAME if name in facts.faults) if facts.faults else (),
        c.senses.dropped(), answers,
        c.guard.engaged, c.gate_near, c.gate_far, c.dead_band, c.undo_words,
        c.levels.due(c.senses.distance, c.guard.engaged), c.levels.check,
        *(() if c.follow is None else _job(c.follow)),
    )  # fmt: skip


def _job(follow: Follow) -> tuple[float | None, float | None, str, str, str, float, float, float]:
    """The tick's last fields: where the job stands, and what it adds to the targets."""
    place = follow.chainage
    known = place.known
    return (
        place.at if known else None, place.sd if known else None, follow.notice, follow.cut,
        follow.state, follow.offset, follow.fall, follow.raised,
    )  # fmt: skip


def _end(
    c: Parts, side: Side, errors: dict[Side, EndError | None], verdict: Verdict, facts: Facts
) -> EndTick:
    action, target = c.actuate.actions[side], c.targets.ends[side]
    error = errors[side]
    cue = None if error is None else cues.raise_by(error.error, c.dead_band)
    valve = c.command.left if side is LEFT else c.command.right
    return EndTick(
        target.guide, verdict.states[side], _why(c, side, verdict, facts),
        None if error is None else error.error,
        None if error is None else math.sqrt(error.variance),
        action.predicted, action.disturbance, action.rate, valve, cue, target.offset,
        c.blade.valve_gain.gain, action.in_band, action.capped,
        target.datum, c.lasted[side], c.guard.asked_hold[side],
    )  # fmt: skip


def _why(c: Parts, side: Side, verdict: Verdict, facts: Facts) -> str:
    state = verdict.states[side]
    if state is HOLD:
        if verdict.standing:
            return "standing"
        end = facts.ends[side]
        asked = end.guide is Guide.HOLD or c.guard.asked_hold[side]
        return "held as asked" if asked else "no reference"
    if state is OVERRIDE:
        return "hand on the lever"
    return ""


def _bar(c: Parts, side: Side, now_s: float) -> BarTick:
    track = c.blade.tracks[side]
    f = track.filter
    known, unseen = track.known(), track.unseen(now_s)
    across = known and track.guide is not SURFACE
    return BarTick(
        side, track.link,
        f.h if known else None, math.sqrt(max(f.cov[0], 0.0)) if known else None,
        f.y if across else None, math.sqrt(max(f.cov[7], 0.0)) if across else None,
        tuple(track.ranges), tuple(track.uses), unseen if math.isfinite(unseen) else None,
        tuple(track.lasts), c.gate_middle[side],
    )  # fmt: skip
