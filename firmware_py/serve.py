"""Requests to the controller: each is checked here, done, or refused with the reason.

Whoever asks (button, dashboard, script) is not trusted to have checked anything.
"""

from __future__ import annotations

import math

from firmware_py.guard.modes import Facts
from firmware_py.messages import (
    BAR_GUIDES,
    AnyRequest,
    Disengage,
    Engage,
    Guide,
    HoldEnd,
    Mark,
    Nudge,
    NudgeCrossfall,
    SetDatum,
    SetDeadBand,
    SetGate,
    SetGuide,
    Side,
)
from firmware_py.parts import Parts
from firmware_py.settings import MM, Control, Gate

NUDGE = 0.05  # m; the largest single step: further is a new datum
NUDGE_CROSSFALL = 0.01  # ratio; the largest single step
MARK = 200  # characters
ROUNDING = 1e-9  # m, ratio: three nudges of 50 mm are 150 mm, whatever their binary sum


class Serve:
    """`take` gives '' when the request is done, else one sentence why not."""

    def __init__(self, parts: Parts) -> None:
        self.c = parts

    def take(self, request: AnyRequest, facts: Facts) -> str:
        """Do one request."""
        reason = ""
        match request:
            case Engage():
                reason = self.c.guard.engage(facts)
            case Disengage():
                self.c.guard.disengage()
            case HoldEnd(end=end, on=on):
                self.c.guard.asked_hold[end] = on
            case Mark(text=text):
                reason = "" if len(text) <= MARK else f"a mark has at most {MARK} characters"
            case _:
                reason = self._change(request)
        return reason

    def _change(self, request: AnyRequest) -> str:
        """Requests that change a target or a setting."""
        reason = ""
        match request:
            case SetDatum(end=end):
                reason = self._datum(end)
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
        return reason

    def _datum(self, end: Side) -> str:
        guide = self.c.targets.ends[end].guide
        if guide not in BAR_GUIDES:
            return f"{end} follows '{guide}', which needs no datum"
        seen = self.c.blade.end_height(end)
        if seen is None:
            return f"{end}: no reference in view; a datum needs one"
        spread = math.sqrt(seen[1])
        if spread > self.c.rig.limits.coast_sd_mm * MM:
            return f"{end}: the reference is unsure by {spread * 1e3:.1f} mm; wait, then set it"
        self.c.targets.ends[end].set_datum(seen[0], seen[2], self.c.blade.sight(end))
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
        other = self.c.targets.ends[end.other].guide
        if guide is Guide.FALL and other is Guide.FALL:
            return "both ends cannot follow each other's crossfall"
        self.c.targets.ends[end].set_guide(guide)
        self.c.blade.set_guide(end, guide)
        return ""

    def _gate(self, near: float, far: float) -> str:
        low, high = _bounds(Gate, "near_mm")
        if not (low <= near / MM <= high and low <= far / MM <= high):
            return f"each half of the gate lies between {low:g} and {high:g} mm"
        for side, bar in self.c.rig.bars.items():
            if (near + far) / MM > bar.reach_far_mm - bar.reach_near_mm:
                return f"the gate would be wider than the reach of the {side} bar"
        self.c.gate_near, self.c.gate_far = near, far
        return ""

    def _dead_band(self, half: float) -> str:
        low, high = _bounds(Control, "dead_band_mm")
        if not low <= half / MM <= high:
            return f"the dead band lies between {low:g} and {high:g} mm"
        self.c.dead_band = half
        for loop in self.c.actuate.loops.values():
            loop.band.half = half
        return ""


def _bounds(model: type[Gate] | type[Control], key: str) -> tuple[float, float]:
    """A setting's range stands once: in its schema."""
    low = high = math.nan
    for rule in model.model_fields[key].metadata:
        low = getattr(rule, "ge", low)
        high = getattr(rule, "le", high)
    return float(low), float(high)
