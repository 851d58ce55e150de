"""The loop's first frame to a listener: the rig's measures and the ranges of what can be set."""

from __future__ import annotations

from firmware_py.link.frames import VERSION, BarInfo, Bounds, Hello, Range
from firmware_py.messages import SCHEMA, Side
from firmware_py.sense.ranging import element_positions
from firmware_py.serve import NUDGE, NUDGE_CROSSFALL, bounds
from firmware_py.settings import DEG, MM, Bar, Control, Gate, Rig


def make_hello(
    rig: Rig, recording: str, started_s: float, *, simulated: bool = True,
    real: tuple[str, ...] = (),
) -> Hello:  # fmt: skip
    """What the ticks do not say. simulated: there is a simulated person at a simulated machine."""
    return Hello(
        VERSION, SCHEMA, rig.name, simulated, rig.valves is not None, recording, started_s,
        rig.control.tick_hz, rig.blade.width_mm * MM, rig.control.master,
        tuple(_bar(side, bar) for side, bar in rig.bars.items()), _bounds(rig), may_ask=True,
        dead_s=0.0 if rig.valves is None else rig.valves.dead_time_ms * 1e-3,
        real=real,
    )  # fmt: skip


def _bar(side: Side, bar: Bar) -> BarInfo:
    positions = tuple(element_positions(bar.elements, bar.spacing_mm * MM))
    return BarInfo(
        side, positions, bar.reach_near_mm * MM, bar.reach_far_mm * MM, bar.outside_mm * MM,
        bar.above_mm * MM, bar.beam_half_angle_deg * DEG, bar.turned,
    )  # fmt: skip


def _bounds(rig: Rig) -> Bounds:
    limits = rig.limits
    offset, steepest = limits.offset_mm * MM, limits.crossfall_pct / 100.0
    return Bounds(
        Range(-NUDGE, NUDGE), Range(-offset, offset), Range(-NUDGE_CROSSFALL, NUDGE_CROSSFALL),
        Range(-steepest, steepest), _range(Gate, "near_mm"), _range(Control, "dead_band_mm"),
        rig.check.tolerance_mm * MM, limits.engage_error_mm * MM,
    )  # fmt: skip


def _range(model: type[Gate] | type[Control], key: str) -> Range:
    low, high = bounds(model, key)
    return Range(low * MM, high * MM)
