"""`linehold tilt`, `bar`, `valves`: what is measured before a run."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from firmware_py.commands.commission import CODES, bar_option, begins, has_valves, options
from firmware_py.commands.kinds import Number

if TYPE_CHECKING:
    from firmware_py.commands.commission import BarJob, Job
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.static import Static
    from firmware_py.commission.valves import ValveMap

STAND_MIN = (2.0, 120.0)  # min; shorter tells no bias instability


@click.command(
    epilog=f"""\b
Examples:
  linehold tilt                          the simulated machine, in a simulated yard
  linehold tilt --rig my-rig.toml --stand 10
  linehold tilt --undo

{CODES}"""
)
@options
@click.option("--stand", "minutes", type=Number(*STAND_MIN), metavar="MINUTES",
              help="A long stand too, 2 to 120: Allan deviation of each axis.")  # fmt: skip
@begins("tilt")
def tilt(here: Job, *, minutes: float | None) -> None:
    """Find the tilt sensor's mounting yaw and its zero, by levers and by reversal.

    You roll the blade by its levers, then stand four times: on marks, turned about, edge on two
    blocks, its ends swapped. No valve is moved by this program.
    """
    from firmware_py.commission import tilt as work
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.procedure import Steps
    from firmware_py.commission.static import static_steps

    def steps() -> Steps[tuple[Estimate, work.TiltZero, Static | None]]:
        yaw = yield from work.yaw_steps()
        width = here.rig.blade.width_mm * 1e-3
        zero = yield from work.zero_steps(width, yaw.value)
        long = None if minutes is None else (yield from static_steps(60.0 * minutes))
        return yaw, zero, long

    (yaw, zero, long), _ = here.play(steps(), here.rig.control.master)
    values = {
        "mounting yaw": yaw, "roll zero": zero.roll, "pitch zero": zero.pitch,
        "roll spread": Estimate(zero.roll_spread, "rad", 0.0),
    }  # fmt: skip
    if long is not None:
        values |= _noise(long)
    here.save("tilt", here.stated.inertial, zero.temperature_c, values)


def _noise(long: Static) -> dict[str, Estimate]:
    """What the long stand told, as values: white noise and bias instability of each axis."""
    from firmware_py.commission.estimate import Estimate

    out = {"long spread of roll": Estimate(long.roll_spread, "rad", 0.0)}
    for axis, noise in long.noise.items():
        unit = "m/s2" if axis.startswith("a") else "rad/s"
        for name, value, of in (
            ("white", noise.white, f"{unit}/sqrt(Hz)"), ("bias instability", noise.flicker, unit),
        ):  # fmt: skip
            if value is not None:
                out[f"{axis} {name}"] = Estimate(value, of, 0.0)
    return out


@click.command(
    epilog=f"""\b
Examples:
  linehold bar                           the simulated machine over simulated boards
  linehold bar --rig two-bars --bar right
  linehold bar --no-thermometer --undo

{CODES}"""
)
@options
@bar_option
@click.option("--thermometer/--no-thermometer", "by_hand", default=True,
              help="A second thermometer, held between bar and board, is typed in.")  # fmt: skip
@begins("bar")
def bar(here: BarJob, *, by_hand: bool) -> None:
    """Find zero and scale of each range element over a board at two known heights.

    The speed of sound comes from a fixed reflector where the rig has one, checked against the
    air's temperature; else from that. No valve is moved.
    """
    from firmware_py.commission.bar import bar_steps
    from firmware_py.commission.bar_sound import REFLECTOR_U
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.looks import reflector_of

    table = here.table
    fixed = reflector_of(table)
    steps = bar_steps(
        table.device, table.elements, by_hand=by_hand, reflector=fixed,
        shared=len(here.stated.bars) > 1,
    )  # fmt: skip
    found, _ = here.play(steps, here.end)
    here.say(found.words)
    values = {"middle": Estimate(found.middle_m, "m", 0.0), "speed of sound": found.sound}
    if fixed is not None and found.reflector is not None:
        values["reflector stated"] = Estimate(fixed.distance_m, "m", REFLECTOR_U)
        values["reflector heard"] = found.reflector
    for one in found.elements:
        values[f"element {one.number} zero"] = one.zero
        values[f"element {one.number} scale"] = one.scale
    here.save("bar", table, found.temperature_c, values, of=table.device, words=found.words)


@click.command(
    epilog=f"""\b
Examples:
  linehold valves                        the simulated machine; type yes when it asks
  linehold valves --rig my-rig.toml
  linehold valves --undo

THIS MOVES THE BLADE by itself, in small steps, once you have typed yes; Ctrl-C or Enter ends it.

{CODES}"""
)
@options
@begins("valves", right=has_valves)
def valves(here: Job) -> None:
    """Find each valve's overlap up and down, dead time, lag, speeds, and the 2 x 2 map.

    Of on/off valves (valves.pulsed), in place of the overlap, the shortest pulse that moves
    anything, when they open and when they close.
    """
    from firmware_py.commission.looks import reflector_of
    from firmware_py.commission.on_off_steps import on_off_steps
    from firmware_py.commission.valve_record import BarPlace
    from firmware_py.commission.valve_steps import valve_steps
    from firmware_py.sense.ranging import element_positions

    stated, rig = here.stated, here.rig
    side = stated.control.master
    table, half = rig.bars[side], 0.5e-3 * rig.blade.width_mm
    place = BarPlace(
        side.sign * (half + table.outside_mm * 1e-3), table.above_mm * 1e-3,
        element_positions(table.elements, table.spacing_mm * 1e-3),
    )  # fmt: skip
    yaw, zero = (math.radians(x) for x in (rig.inertial.mount_yaw_deg, rig.inertial.zero_roll_deg))
    small = on_off_steps if stated.valves is not None and stated.valves.pulsed else valve_steps
    steps = small(
        table.device, place, half, yaw=yaw, zero_roll=zero, tape=True,
        reflector=reflector_of(table),
    )  # fmt: skip
    found, bench = here.play(steps, side)
    here.save("valves", stated.valves, bench.warmth_c, _valve_values(found))
    here.say(_map_words(found))


def _valve_values(found: ValveMap) -> dict[str, Estimate]:
    values = {"dead time": found.dead_time, "lag": found.lag}
    for side, one in found.valves.items():
        values |= {f"{side.value} {name}": estimate for name, estimate in one.named().items()}
    return values


def _map_words(found: ValveMap) -> str:
    """The 2 x 2 map, mm/s of each end per full upward command of each valve."""
    (ll, lr), (rl, rr) = found.ends
    return (
        "Ends by valves, mm/s at full command up:\n"
        "               left valve  right valve\n"
        f"  left end     {1e3 * ll:10.1f}  {1e3 * lr:11.1f}\n"
        f"  right end    {1e3 * rl:10.1f}  {1e3 * rr:11.1f}"
    )
