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
from firmware_py import settings_bars as bars
from firmware_py import settings_devices as devices
from firmware_py import settings_valves as valves
from firmware_py.errors import TAGS, choices_of, number_words, range_words, tag_of
from firmware_py.guard.table import ROWS
from firmware_py.schema import Part
from firmware_py.trial import scenario

WHOLE = (valves.Pulse, valves.OnOff)  # kinds that share nothing with the first
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
    ("[bars.left], [bars.right]", bars.SimulatedBar, "One or two bars of range elements."),
    ('[bars.left], kind = "uart-ascii"', bars.UartAsciiBar, 'Elements that say "R" and digits.'),
    ('[bars.left], kind = "uart-binary"', bars.UartBinaryBar, "Elements that say 0xFF and bytes."),
    ('[bars.left], kind = "i2c"', bars.I2cBar, "Elements on I2C that give two bytes."),
    ('[bars.left], kind = "i2c-registers"', bars.I2cRegistersBar, "Elements with registers."),
    ('[bars.left], kind = "board"', bars.BoardBar, "The companion board's elements."),
    ("[inertial]", devices.SimulatedInertial, "The inertial sensor on the blade."),
    ('[inertial], kind = "mpu6050"', devices.Mpu6050Inertial, "An MPU-6050 on I2C."),
    ('[inertial], kind = "lsm6dso"', devices.Lsm6dsoInertial, "An LSM6DSO on I2C."),
    ('[inertial], kind = "bno055"', devices.Bno055Inertial, "A BNO055 on I2C, in raw mode."),
    ('[inertial], kind = "board"', devices.BoardInertial, "The companion board's sensor."),
    ("[air]", devices.SimulatedThermometer, "The air thermometer."),
    ('[air], kind = "fixed"', devices.FixedThermometer, "A temperature that is typed in."),
    ('[air], kind = "w1"', devices.W1Thermometer, "A one-wire thermometer that Linux reads."),
    ("[motion]", devices.SimulatedMotion, "Speed and distance."),
    ('[motion], kind = "wheel"', devices.WheelMotion, "A wheel that senses its direction."),
    ("[driver]", devices.SimulatedDriver, "The driver's inputs."),
    ('[driver], kind = "gpio"', devices.GpioDriver, "Switches on the 40-pin header."),
    ('[driver], kind = "board"', devices.BoardDriver, "The companion board's inputs."),
    ("[valves]", valves.SimulatedValves, "The two lift valves; without this table, cues only."),
    ('[valves], kind = "pca9685"', valves.Pca9685Valves, "A PWM chip on I2C."),
    ("[valves.left], [valves.right]", valves.Coils, "Two coils on a PWM chip, proportional."),
    ('[valves.left], output = "pulse"', valves.Pulse, "An amplifier that takes a pulse width."),
    ('[valves.left], output = "on-off"', valves.OnOff, "Two coils on a PWM chip, on or off."),
    ('[valves], kind = "board"', valves.BoardValves, "The companion board's outputs."),
    ('[valves], kind = "dry-run"', valves.DryRunValves, "Nothing is driven."),
    ("[boards.main]", devices.Board, "A companion board, by any name."),
    ("[gnss]", devices.Gnss, "A satellite receiver; may be left out."),
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
    "SimulatedBar.kind": "which driver opens it; the others are below",
    "Bar.elements": "how many",
    "Bar.spacing_mm": "from element to element",
    "Bar.reach_near_mm": "nearer echoes are ignored",
    "Bar.reach_far_mm": "farther echoes are ignored",
    "Bar.beam_half_angle_deg": "half the opening of an element's beam",
    "Bar.latency_ms": "from reflection until the echo can be read",
    "UartBar.baud": "speed of the line",
    "I2cBar.bus": "the bus of all elements",
    "I2cRegistersBar.bus": "the bus of all elements",
    "BoardBar.elements": "how many",
    "Bar.reflector_element": "element that sees the fixed target; with `reflector_mm`",
    "Inertial.device": "its device",
    "SimulatedInertial.kind": "which driver opens it; the others are below",
    "Lsm6dsoInertial.rate_hz": "samples a second: 52, 104, 208, 416 or 833",
    "ChipInertial.bus": "its bus",
    "Mpu6050Inertial.address": "7 bits: 104 is 0x68",
    "Lsm6dsoInertial.address": "7 bits: 106 is 0x6A",
    "Bno055Inertial.address": "7 bits: 40 is 0x28",
    "Inertial.rate_hz": "samples a second",
    "Inertial.zero_pitch_deg": "the same in pitch",
    "Motion.device": "its device",
    "SimulatedMotion.kind": "which driver opens it; the other is below",
    "Driver.device": "its device",
    "SimulatedDriver.kind": "which driver opens it; the others are below",
    "Board.baud": "of a UART; USB has none",
    "Gnss.device": "its device",
    "Gnss.baud": "speed of the line",
    "Coils.output": "how a valve is driven; the others are below",
    "Coils.raise_channel": "the chip's output of the coil that raises",
    "Coils.lower_channel": "the chip's output of the coil that lowers",
    "Pulse.channel": "the chip's output",
    "OnOff.raise_channel": "the chip's output of the coil that raises",
    "OnOff.lower_channel": "the chip's output of the coil that lowers",
    "Thermometer.device": "its device",
    "SimulatedThermometer.kind": "which driver opens it; the others are below",
    "Thermometer.lag_s": "how late its housing follows the air; taken out by the trend",
    "Valves.device": "their device",
    "SimulatedValves.kind": "which driver opens them; the others are below",
    "Pca9685Valves.bus": "the chip's bus",
    "Pca9685Valves.address": "7 bits: 64 is 0x40",
    "Pca9685Valves.pwm_hz": "of all outputs",
    "Pca9685Valves.left": "a table, below",
    "Pca9685Valves.right": "a table, below",
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
    "OneValve.least_up_ms": "on/off valves: shortest pulse that raises",
    "OneValve.least_down_ms": "that lowers",
    "OneValve.lost_up_ms": "on/off valves: how much of a pulse that raises moves nothing",
    "OneValve.lost_down_ms": "the same, lowering",
    "Control.tick_hz": "ticks a second",
    "Control.dead_band_mm": "half width of the dead band",
    "Control.gain_per_s": "proportional gain; left out: derived (docs/computation.md)",
    "Control.integral_s": "integral time; left out: derived",
    "Control.master": "the bar that steering follows",
    "Control.crossfall_pct": "target, facing along chainage; > 0 falls to the right",
    "Control.against_chainage": "the job is driven against chainage: left and right swap",
    **{f"Rig.{key}": "a table, below" for key in (
        "blade", "tracks", "bars", "inertial", "air", "motion", "driver", "valves", "gnss",
        "boards", "limits", "gate", "left", "right", "control", "check", "calibration",
        "ignition")},
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
    """The keys of a table, in the order of the schema; of a further kind those that it adds."""
    tag = tag_of(model)
    if tag is None or tag[2] or model in WHOLE:
        return list(model.model_fields)
    common = next(base for base in model.__mro__ if base.__mro__[1] is Part).model_fields
    fields = model.model_fields
    added = [
        name for name in fields if name not in common or told(fields[name]) != told(common[name])
    ]
    return ["kind", *(name for name in added if name != "kind")]


def told(field: FieldInfo) -> tuple[object, ...]:
    """What a field is, to compare two."""
    return field.default, str(field.metadata), field.description, str(field.annotation)


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
    if typing.get_origin(kind) is list:
        return "a list"
    if choices := choices_of(kind):
        return ", ".join(f"`{choice}`" for choice in choices)
    if kind is bool:
        return "`true`, `false`"
    if kind is str:
        return "text"
    words = (
        range_words(limits(field))
        .replace("2.14748e+09", str(2**31 - 1))
        .replace("3e+06", "3000000")
    )
    if kind is int:
        named = ", ".join(f"`{word}`" for word in number_words([(kind, limits(field))]))
        return ", ".join(filter(None, ("whole", words, named)))
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
        return ", ".join(f"`{one}`" for one in value) or "none"
    return f"`{value}`" if isinstance(value, str) else f"{value:g}"


def words(model: type[BaseModel], name: str) -> str:
    """What a key means: the schema's words, or those above."""
    field = model.model_fields[name]
    if name in TAGS and not model.__name__.startswith(("Simulated", "Coils")):
        return "so it is chosen"
    named = (WORDS.get(f"{base.__name__}.{name}") for base in model.__mro__)
    return field.description or next(filter(None, named), "")


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
        for name in keys(model):
            field = model.model_fields[name]
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
