"""Requests to the controller: each is checked here, done, or refused with the reason.

Whoever asks (button, dashboard, script) is not trusted to have checked anything.
"""

from __future__ import annotations

import math

from firmware_py.guard.levels import ROW, reading_fault
from firmware_py.guard.modes import UNSETTLED, Facts
from firmware_py.messages import (
    BAR_GUIDES,
    AcceptTransition,
    AnyRequest,
    CheckLevel,
    Disengage,
    Engage,
    Guide,
    HoldEnd,
    Mark,
    MarkPin,
    Nudge,
    NudgeCrossfall,
    RefuseTransition,
    SetDatum,
    SetDeadBand,
    SetGate,
    SetGuide,
    Side,
    Undo,
)
from firmware_py.parts import Parts
from firmware_py.settings import MM, Control, Gate
from firmware_py.undo import Changes

ABOVE = 0.5  # m; no blade rests further above or below its target when a datum is taken
NO_JOB = "no job is followed; start the run with --job"
NUDGE = 0.05  # m; the largest single step: further is a new datum
NUDGE_CROSSFALL = 0.01  # ratio; the largest single step
MARK = 200  # characters
ROUNDING = 1e-9  # m, ratio: three nudges of 50 mm are 150 mm, whatever their binary sum


class Serve:
    """`take` gives '' when the request is done, else one sentence why not."""

    def __init__(self, parts: Parts, changes: Changes) -> None:
        self.c = parts
        self.changes = changes

    def take(self, request: AnyRequest, facts: Facts) -> str:
        """Do one request."""
        reason = ""
        match request:
            case Engage():
                reason = self.c.guard.engage(facts)
            case Disengage():
                self.c.guard.disengage()
            case Mark(text=text):
                reason = "" if len(text) <= MARK else f"a mark has at most {MARK} characters"
                if not reason:
                    self.c.levels.mark()
            case CheckLevel():
                reason = self._check(request, facts)
            case Undo():
                reason = self.changes.back(self.c)
            case MarkPin() | RefuseTransition() | AcceptTransition():
                reason = self._of_job(request)
            case _:
                before = self.changes.as_is(_in_words(request), self.c)
                reason = self._change(request)
                if not reason:
                    self.changes.keep(before)
        return reason

    def _check(self, request: CheckLevel, facts: Facts) -> str:
        """A measured level: what is wrong with it is told, two in a row are a fault."""
        end, expected = request.end, request.expected_m
        reason = reading_fault(request.measured_m, expected)
        believed = facts.ends[end].error
        if not reason and believed is None:
            reason = f"{end}: no datum or no reference in view, so there is nothing to check"
        if not reason and expected is None and self.c.targets.ends[end].guide not in BAR_GUIDES:
            reason = f"{end} has no reference of its own; give the reading it should have as well"
        if reason or believed is None:
            return reason
        if expected is None:
            expected = self._reading_on_target(end, believed)
        readings = request.measured_m, expected
        self.c.levels.take(end, readings, believed, self.c.senses.distance)
        if self.c.levels.alarm:
            facts.faults.add(ROW)
        return ""

    def _of_job(self, request: AnyRequest) -> str:
        """Requests that only make sense along a job."""
        follow = self.c.follow
        reason = NO_JOB
        match request:
            case _ if follow is None:
                pass
            case MarkPin(name=name):
                reason = follow.mark(name)
                if not reason:
                    self.c.levels.mark()
            case RefuseTransition():
                reason = follow.refuse()
            case AcceptTransition():
                reason = follow.accept()
        return reason

    def _reading_on_target(self, end: Side, believed: float) -> float:
        """What a tape from the reference down to the end would read, were it on its target, m."""
        seen = self.c.blade.end_height(end)
        return math.nan if seen is None else believed - seen[0]

    def _change(self, request: AnyRequest) -> str:
        """Requests that change a target or a setting."""
        reason = ""
        match request:
            case SetDatum(end=end, above_m=above):
                reason = self._datum(end, above)
            case Nudge(end=end, step_m=step):
                reason = self._nudge(end, step)
            case NudgeCrossfall(step=step):
                reason = self._crossfall(step)
            case SetGuide(end=end, guide=guide):
                reason = self._guide(end, guide)
            case SetGate(near_m=near, far_m=far):
                reason = self._gate(near, far)
            case SetDeadBand(half_m=half):
                reason = self._dead_band(half)
            case HoldEnd(end=end, on=on):
                self.c.guard.asked_hold[end] = on
        return reason

    def _datum(self, end: Side, above: float) -> str:
        """Above 0: the blade rests on the ground there, which is then known."""
        guide = self.c.targets.ends[end].guide
        if guide not in BAR_GUIDES:
            return f"{end} follows '{guide}', which needs no datum"
        if not abs(above) <= ABOVE:
            return f"a datum is taken within {ABOVE * 1e3:.0f} mm of its target"
        if not self.c.senses.settled:
            return UNSETTLED
        seen = self.c.blade.end_height(end)
        if seen is None:
            return f"{end}: no reference in view; a datum needs one"
        spread = math.sqrt(seen[1])
        if spread > self.c.rig.limits.coast_sd_mm * MM:
            return f"{end}: the reference is unsure by {spread * 1e3:.1f} mm; wait, then set it"
        follow, height = self.c.follow, seen[0] - above
        if follow is not None:
            # here the blade stands at what the schedule says of this place
            height -= follow.offset
            follow.set_datum(above or None)
        self.c.targets.ends[end].set_datum(height, seen[2], self.c.blade.sight(end))
        return ""

    def _nudge(self, end: Side, step: float) -> str:
        target = self.c.targets.ends[end]
        most = self.c.rig.limits.offset_mm * MM
        if not abs(step) <= NUDGE:
            return f"a nudge is at most {NUDGE * 1e3:.0f} mm"
        if abs(target.offset + step) > most + ROUNDING:
            return f"the offset would pass {most * 1e3:.0f} mm; set a new datum instead"
        target.offset += step
        return ""

    def _crossfall(self, step: float) -> str:
        most = self.c.rig.limits.crossfall_pct / 100.0
        if not abs(step) <= NUDGE_CROSSFALL:
            return f"a nudge of crossfall is at most {NUDGE_CROSSFALL * 100:.0f} %"
        if abs(self.c.targets.crossfall + step) > most + ROUNDING:
            return f"the crossfall would pass {most * 100:.1f} %"
        self.c.targets.crossfall += step
        return ""

    def _guide(self, end: Side, guide: Guide) -> str:
        if guide in BAR_GUIDES and end not in self.c.rig.bars:
            return f"'{guide}' needs a bar on the {end}, and this rig has none"
        if guide in (Guide.STRING, Guide.EDGE) and self.c.rig.bars[end].turned:
            return f"the {end} bar stands along travel, so it sees no lateral of a {guide}"
        refused = self.c.rig.calibration.no_string
        if guide is Guide.STRING and end in refused:
            return f"{end}: string is refused. {refused[end]}"
        other = self.c.targets.ends[end.other].guide
        if guide is Guide.FALL and other is Guide.FALL:
            return "both ends cannot follow each other's crossfall"
        self.c.targets.ends[end].set_guide(guide)
        self.c.blade.set_guide(end, guide)
        return ""

    def _gate(self, near: float, far: float) -> str:
        low, high = bounds(Gate, "near_mm")
        if not (low <= near / MM <= high and low <= far / MM <= high):
            return f"each half of the gate lies between {low:g} and {high:g} mm"
        for side, bar in self.c.rig.bars.items():
            if (near + far) / MM > bar.reach_far_mm - bar.reach_near_mm:
                return f"the gate would be wider than the reach of the {side} bar"
        self.c.gate_near, self.c.gate_far = near, far
        return ""

    def _dead_band(self, half: float) -> str:
        low, high = bounds(Control, "dead_band_mm")
        if not low <= half / MM <= high:
            return f"the dead band lies between {low:g} and {high:g} mm"
        self.c.set_dead_band(half)
        return ""


def _in_words(request: AnyRequest) -> str:
    """A change in a few words, for whoever may take it back."""
    words = ""
    match request:
        case SetDatum(end=end):
            words = f"datum {end}"
            if request.above_m:
                words += f", {request.above_m * 1e3:.0f} mm above"
        case Nudge(end=end, step_m=step):
            words = f"nudge {end} {step * 1e3:+.1f} mm"
        case NudgeCrossfall(step=step):
            words = f"crossfall {step * 100:+.2f} %"
        case SetGuide(end=end, guide=guide):
            words = f"guide {end} {guide}"
        case SetGate(near_m=near, far_m=far):
            words = f"gate {near * 1e3:.0f}, {far * 1e3:.0f} mm"
        case SetDeadBand(half_m=half):
            words = f"dead band {half * 1e3:.1f} mm"
        case HoldEnd(end=end, on=on):
            words = f"hold {end}" if on else f"let go {end}"
    return words


def bounds(model: type[Gate] | type[Control], key: str) -> tuple[float, float]:
    """A setting's range stands once: in its schema."""
    low = high = math.nan
    for rule in model.model_fields[key].metadata:
        low = getattr(rule, "ge", low)
        high = getattr(rule, "le", high)
    return float(low), float(high)
