"""The tables of docs/rigs.md, docs/trials.md and docs/faults.md, from the code they describe.

    python docs/generate.py            write them anew
    python docs/generate.py --check    exit code 1 if one is not up to date

Each table stands between two marker comments; the words round it are written by hand.
"""

from __future__ import annotations

import argparse
import sys
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from firmware_py import calibration, settings
from firmware_py.errors import choices_of, range_words
from firmware_py.guard.table import ROWS
from firmware_py.trial import scenario

DOCS = Path(__file__).resolve().parent
UNITS = (  # by the end of a key, the longest first
    ("_mm_s", "mm/s"), ("_mps", "m/s"), ("_per_s", "1/s"), ("_mm", "mm"), ("_deg", "deg"),
    ("_pct", "%"), ("_hz", "Hz"), ("_ms", "ms"), ("_m", "m"), ("_s", "s"), ("_h", "h"),
    ("_c", "C"),
)  # fmt: skip
RIG_TABLES = (  # header in the file, model, words
    ("", settings.Rig, "The file itself."),
    ("[blade]", settings.Blade, "The cutting edge."),
    ("[tracks]", settings.Tracks, "What the machine stands on; may be left out."),
    ("[bars.left], [bars.right]", settings.Bar, "One or two bars of range elements."),
    ("[inertial]", settings.Inertial, "The inertial sensor on the blade."),
    ("[air]", settings.Thermometer, "The air thermometer."),
    ("[motion], [driver]", settings.Device, "Speed and distance; the driver's inputs."),
    ("[valves]", settings.Valves, "The two lift valves; without this table, cues only."),
    ("[limits]", settings.Limits, "What automatic may do at most; may be left out."),
    ("[gate]", settings.Gate, "The range gate; may be left out."),
    ("[left], [right]", settings.End, "What each end follows at the start."),
    ("[control]", settings.Control, "Rates and gains; may be left out."),
    ("[check]", settings.CheckLevels, "Check levels; may be left out."),
    ("[calibration]", calibration.Calibration, "What commissioning found (docs/commissioning.md)."),
    (
        "[calibration.bars.left], [calibration.bars.right]",
        calibration.Elements,
        "One bar's elements.",
    ),
    (
        "[calibration.valves.left], [calibration.valves.right]",
        calibration.OneValve,
        "One valve and its cylinder, in place of what [valves] says of both.",
    ),
    ("[calibration.slope]", calibration.Slope, "The last slope check."),
    ("[ignition]", settings.Ignition, "Ignition sense (docs/pi.md); may be left out."),
)
TRIAL_TABLES = (
    ("", scenario.Scenario, "The file itself."),
    ("path = [{...}, ...]", scenario.Segment, "One piece of the path."),
    ("[left], [right]", scenario.Beside, "What stands beside the strip; one of the two at least."),
    ("[[events]]", scenario.Event, "Something that happens on the way."),
)
WORDS = {  # for keys whose schema has no words of its own
    "Rig.name": "name of the rig",
    "Blade.width_mm": "length of the cutting edge, end to end",
    "Bar.device": "the bar's device; the simulated rig has `bar.left` and `bar.right`",
    "Bar.kind": "which driver opens it; only the simulated one so far",
    "Bar.elements": "how many",
    "Bar.spacing_mm": "from element to element",
    "Bar.reach_near_mm": "nearer echoes are ignored",
    "Bar.reach_far_mm": "farther echoes are ignored",
    "Bar.beam_half_angle_deg": "half the opening of an element's beam",
    "Bar.latency_ms": "from reflection until the echo can be read (for the simulated bar)",
    "Bar.reflector_element": "element that sees the fixed target; with `reflector_mm`",
    "Inertial.device": "its device",
    "Inertial.kind": "which driver opens it",
    "Inertial.rate_hz": "samples a second",
    "Inertial.zero_pitch_deg": "the same in pitch",
    "Device.device": "its device",
    "Device.kind": "which driver opens it",
    "Thermometer.device": "its device",
    "Thermometer.kind": "which driver opens it",
    "Thermometer.lag_s": "how late its housing follows the air; taken out by the trend",
    "Valves.device": "their device",
    "Valves.kind": "which driver opens them",
    "Valves.dead_time_ms": "from a command until oil begins to flow",
    "Valves.lag_ms": "first order, after the dead time",
    "Valves.down_mm_s": "the same, lowering",
    "Valves.overlap_pct": "spool overlap: the command below which no oil flows",
    "Valves.pulse_ms": "shortest pulse of an on/off valve",
    "Valves.lease_ms": "without a fresh command for so long, the valves shut by themselves",
    "Limits.engage_error_mm": "automatic is refused while an end is further off",
    "Limits.coast_s": "longest coast",
    "Limits.coast_mm": "furthest coast",
    "Limits.coast_sd_mm": "coasting ends when the error is less sure than this (1 sigma)",
    "Limits.hold_crossfall_pct": "one end held, the other led: only while the crossfall is so near",
    "Gate.near_mm": "half nearer to the bar than the target",
    "Gate.far_mm": "half farther from the bar than the target",
    "End.guide": "what the end follows",
    "End.edge_width_mm": "width of the flat top, for `edge`",
    "Calibration.bars": "tables, below",
    "Calibration.valves": "tables, below",
    "Calibration.slope": "a table, below",
    "Calibration.no_string": "by end: why `string` may not be followed there",
    "OneValve.up_mm_s": "at full command, both ends alike",
    "OneValve.down_mm_s": "the same, lowering",
    "OneValve.overlap_up_pct": "spool overlap, raising",
    "OneValve.overlap_down_pct": "spool overlap, lowering",
    "Control.tick_hz": "ticks a second",
    "Control.dead_band_mm": "half width of the dead band",
    "Control.gain_per_s": "proportional gain; left out: derived (docs/computation.md)",
    "Control.integral_s": "integral time; left out: derived",
    "Control.master": "the bar that steering follows",
    "Control.crossfall_pct": "target, facing along chainage; > 0 falls to the right",
    "Control.against_chainage": "the job is driven against chainage: left and right swap",
    **{f"Rig.{key}": "a table, below" for key in (
        "blade", "tracks", "bars", "inertial", "air", "motion", "driver", "valves", "limits",
        "gate", "left", "right", "control", "check", "calibration", "ignition")},
    "Scenario.name": "name; also of the folder of its result",
    "Scenario.seed": "of ground, noise and driver; `--seed` goes before it",
    "Scenario.speed_mps": "speed over ground",
    "Scenario.path": "pieces of the path in order; 3 m before the start and 2 m after the end",
    "Scenario.crossfall_pct": "of the design, facing along chainage",
    "Scenario.direction": "of travel",
    "Scenario.left": "beside the left end, as the driver sees it: a table, below",
    "Scenario.right": "beside the right end",
    "Scenario.ground": "ISO 8608 class, `flat`, or a measured grid (.npz: u_m, v_m, z_mm)",
    "Scenario.start": "`automatic`: the simulated person sets the datum, engages and drives",
    "Scenario.events": "a list of tables, below",
    "Segment.length_m": "length of the piece",
    "Segment.radius_m": "0: straight; > 0 bends left, < 0 right; 5 m at least",
    "Beside.kind": "`strip` is a finished surface",
    "Beside.pin_gap_m": "from pin to pin on a straight",
    "Beside.pin_gap_bend_m": "from pin to pin in a bend",
    "Event.do": "what happens",
    "Event.at_m": "at this travelled distance; or `at_s`",
    "Event.at_s": "at this time since the start",
    "Event.end": "the blade end that is meant",
    "Event.step_mm": "of `nudge`; > 0 raises",
    "Event.step_pct": "of `crossfall`",
    "Event.guide": "of `guide`",
    "Event.near_mm": "of `gate`",
    "Event.far_mm": "of `gate`",
    "Event.half_mm": "of `dead band`",
    "Event.for_s": "how long",
    "Event.for_m": "how far back, of `reverse`",
    "Event.fault": "kind of fault (drivers/simulated/faults.py lists them)",
    "Event.device": "the device that is broken",
    "Event.by_mm": "of the fault `jump`",
    "Event.at_mm": "of the fault `block`: range of the object",
    "Event.rate_mm_s": "of the fault `valve_runaway`",
}  # fmt: skip


def keys(model: type[BaseModel]) -> list[str]:
    """The keys of a table, in the order of the schema."""
    return list(model.model_fields)


def unit(name: str) -> str:
    """The unit that a key's name carries."""
    return next((word for end, word in UNITS if name.endswith(end)), "")


def inner(kind: Any) -> Iterator[Any]:
    """A type without its None, Annotated and union wrappers."""
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType):
        for part in typing.get_args(kind):
            if part is not type(None):
                yield from inner(part)
    elif origin is typing.Annotated:
        yield from inner(typing.get_args(kind)[0])
    else:
        yield kind


def limits(field: FieldInfo) -> list[Any]:
    """The constraints of a field, also those inside an Annotated type."""
    found = list(field.metadata)
    for part in (field.annotation, *typing.get_args(field.annotation)):
        if typing.get_origin(part) is typing.Annotated:
            found += [rule for info in typing.get_args(part)[1:]
                      for rule in getattr(info, "metadata", [])]  # fmt: skip
    return found


def allowed(field: FieldInfo) -> str:
    """Range or choices of a key."""
    kind = next(inner(field.annotation))
    if choices := choices_of(kind):
        return ", ".join(f"`{choice}`" for choice in choices)
    if kind is bool:
        return "`true`, `false`"
    if kind is str:
        return "text"
    words = range_words(limits(field)).replace("2.14748e+09", str(2**31 - 1))
    if kind is int:
        return f"whole, {words}" if words else "whole"
    return words if kind is float else ""


def default(field: FieldInfo) -> str:
    """The default of a key."""
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if value is None:
        return "none"
    if isinstance(value, BaseModel):
        return "all defaults"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, (list, dict)):
        return "none"
    return f"`{value}`" if isinstance(value, str) else f"{value:g}"


def words(model: type[BaseModel], name: str) -> str:
    """What a key means: the schema's words, or those above."""
    field = model.model_fields[name]
    return field.description or WORDS.get(f"{model.__name__}.{name}", "")


def schema(tables: tuple[tuple[str, type[BaseModel], str], ...]) -> Iterator[str]:
    """A heading and a table for each table of a file."""
    for header, model, about in tables:
        yield ""
        yield f"### {header or 'At the top'}" if "..." not in header else "### path"
        yield ""
        yield f"{about}" if "..." not in header else f"`{header}`: {about[0].lower()}{about[1:]}"
        yield ""
        yield "| key | unit | range | default | meaning |"
        yield "| --- | --- | --- | --- | --- |"
        for name, field in model.model_fields.items():
            cells = (f"`{name}`", unit(name), allowed(field), default(field), words(model, name))
            yield f"| {' | '.join(cells)} |"
    yield ""


def faults() -> Iterator[str]:
    """The fault table."""
    yield ""
    yield "| fault | when | then | back | says |"
    yield "| --- | --- | --- | --- | --- |"
    for row in ROWS:
        cells = (row.name, row.trigger, row.response.value, row.recovery.value, row.words)
        yield f"| {' | '.join(cells)} |"
    yield ""


def pages() -> dict[str, str]:
    """The text of each page as it should be."""
    made = {"rigs": schema(RIG_TABLES), "trials": schema(TRIAL_TABLES), "faults": faults()}
    out = {}
    for name, lines in made.items():
        begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
        text = (DOCS / f"{name}.md").read_text(encoding="utf-8")
        before, rest = text.split(begin)
        _, after = rest.split(end)
        out[name] = f"{before}{begin}\n" + "\n".join(lines) + f"\n{end}{after}"
    return out


def stale() -> list[str]:
    """Names of the pages that are not up to date."""
    read = {name: (DOCS / f"{name}.md").read_text(encoding="utf-8") for name in pages()}
    return [name for name, text in pages().items() if read[name] != text]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--check", action="store_true")
    if parser.parse_args().check:
        old = stale()
        sys.exit(f"not up to date: {', '.join(old)}; python docs/generate.py" if old else 0)
    for name, text in pages().items():
        (DOCS / f"{name}.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
