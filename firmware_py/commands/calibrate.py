"""`linehold tilt`, `bar`, `valves`, `tune`: what is measured before a run."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.commission import (
    CODES,
    bar_option,
    cautions,
    guarded,
    job,
    options,
    which_bar,
)
from firmware_py.commands.kinds import Number
from firmware_py.commands.progress import progress_bar

if TYPE_CHECKING:
    from firmware_py.commands.commission import Job
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.static import Static
    from firmware_py.commission.tune import Tuning
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
@guarded
def tilt(
    *, rig_name: str, store: Path | None, seed: int, undo: bool, as_json: bool,
    minutes: float | None,
) -> None:  # fmt: skip
    """Find the tilt sensor's mounting yaw and its zero, by levers and by reversal.

    You roll the blade by its levers, then stand four times: on marks, turned about, edge on two
    blocks, its ends swapped. No valve is moved by this program.
    """
    from firmware_py.commission import tilt as work
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.procedure import Steps
    from firmware_py.commission.static import static_steps

    here = job(rig_name, store, seed, as_json)
    if undo:
        here.say(here.book.undo("tilt"))
        return
    cautions()

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
@guarded
def bar(
    *, rig_name: str, store: Path | None, seed: int, undo: bool, as_json: bool,
    side: str | None, by_hand: bool,
) -> None:  # fmt: skip
    """Find zero and scale of each range element over a board at two known heights.

    The speed of sound comes from the air's temperature. No valve is moved.
    """
    from firmware_py.commission.bar import bar_steps
    from firmware_py.commission.estimate import Estimate

    here = job(rig_name, store, seed, as_json)
    end = which_bar(here.stated, side)
    table = here.stated.bars[end]
    if undo:
        here.say(here.book.undo("bar", table.device))
        return
    cautions()
    found, _ = here.play(bar_steps(table.device, table.elements, by_hand=by_hand), end)
    values = {"middle": Estimate(found.middle_m, "m", 0.0)}
    for one in found.elements:
        values[f"element {one.number} zero"] = one.zero
        values[f"element {one.number} scale"] = one.scale
    here.save("bar", table, found.temperature_c, values, of=table.device)


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
@guarded
def valves(*, rig_name: str, store: Path | None, seed: int, undo: bool, as_json: bool) -> None:
    """Find each valve's overlap up and down, dead time, lag, speeds, and the 2 x 2 map."""
    from firmware_py.commission.valve_steps import valve_steps
    from firmware_py.commission.valves import BarPlace
    from firmware_py.sense.ranging import element_positions

    here = job(rig_name, store, seed, as_json)
    stated, rig = here.stated, here.rig
    _has_valves(here)
    if undo:
        here.say(here.book.undo("valves"))
        return
    cautions()
    side = stated.control.master
    table, half = rig.bars[side], 0.5e-3 * rig.blade.width_mm
    place = BarPlace(
        side.sign * (half + table.outside_mm * 1e-3), table.above_mm * 1e-3,
        element_positions(table.elements, table.spacing_mm * 1e-3),
    )  # fmt: skip
    yaw, zero = (math.radians(x) for x in (rig.inertial.mount_yaw_deg, rig.inertial.zero_roll_deg))
    steps = valve_steps(table.device, place, half, yaw=yaw, zero_roll=zero, tape=True)
    found, bench = here.play(steps, side)
    here.save("valves", stated.valves, bench.warmth_c, _valve_values(found))
    here.say(_map_words(found))


def _has_valves(here: Job) -> None:
    from firmware_py.commission.estimate import CommissionError
    from firmware_py.devices.which import NO_LEASE, without_lease

    if here.stated.valves is None:
        raise CommissionError(f"Rig {here.stated.name} has no valves; add [valves] to its file.")
    if without_lease(here.stated):
        raise CommissionError(NO_LEASE)
    if here.stated.valves.kind == "dry-run":
        raise CommissionError("These valves are a dry run: they report and move nothing.")
    if here.stated.valves.pulsed:
        raise CommissionError(
            "On/off valves (valves.pulsed) have no characteristic to map; state their dead time, "
            "lag and speeds in the rig file."
        )


def _valve_values(found: ValveMap) -> dict[str, Estimate]:
    values = {"dead time": found.dead_time, "lag": found.lag}
    for side, one in found.valves.items():
        values |= {
            f"{side.value} {name}": estimate
            for name, estimate in (
                ("overlap up", one.overlap_up), ("overlap down", one.overlap_down), ("up", one.up),
                ("down", one.down), ("dead time", one.dead_time), ("lag", one.lag),
                ("cylinder", one.cylinder), ("asymmetry", one.asymmetry),
            )
        }  # fmt: skip
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


@click.command(
    epilog=f"""\b
Examples:
  linehold tune
  linehold tune --gain 4 --integral 2    are these allowed?
  linehold tune --trial 0 --undo

{CODES}"""
)
@options
@click.option("--gain", type=Number(0.1, 25.0), metavar="NUMBER", help="1/s, in place of SIMC's.")
@click.option("--integral", type=Number(0.1, 600.0), metavar="SECONDS", help="With --gain.")
@click.option("--trial", "metres", type=Number(0.0, 200.0), default=25.0, show_default=True,
              metavar="METRES", help="Of the trial before and after; 0 for none.")  # fmt: skip
@guarded
def tune(
    *, rig_name: str, store: Path | None, seed: int, undo: bool, as_json: bool,
    gain: float | None, integral: float | None, metres: float,
) -> None:  # fmt: skip
    """Gains from the valve map, with the margins of the actual loop; tried on a simulated twin.

    Refused under 40 ms of delay margin or a gain margin of 2. Moves nothing real.
    """
    from firmware_py.commission.estimate import Estimate

    here = job(rig_name, store, seed, as_json)
    _has_valves(here)
    if undo:
        here.say(here.book.undo("tune"))
        return
    if (gain is None) is not (integral is None):
        raise click.UsageError("--gain and --integral go together; give both or neither")
    if 0.0 < metres < 10.0:
        raise click.BadParameter("10 to 200, or 0 for no trial, is right", param_hint="--trial")
    found = _stored_map(here)
    tuning = _tuned(here, found, gain, integral)
    here.say(tuning.words)
    values = {
        "gain_per_s": Estimate(tuning.gains.gain_per_s, "1/s", 0.0),
        "integral_s": Estimate(tuning.gains.integral_s, "s", 0.0),
        "dead time": found.dead_time, "gain margin": Estimate(tuning.margins.gain, "1", 0.0),
        "delay margin": Estimate(tuning.margins.delay_s, "s", 0.0),
        "worst gain margin": Estimate(tuning.worst.gain, "1", 0.0),
        "worst delay margin": Estimate(tuning.worst.delay_s, "s", 0.0),
    }  # fmt: skip
    if metres:
        _before_and_after(here, values, metres)
    here.save("tune", here.stated.valves, None, values)


def _tuned(here: Job, found: ValveMap, gain: float | None, integral: float | None) -> Tuning:
    from firmware_py.commission import tune as work

    tick_s = 1.0 / here.rig.control.tick_hz
    if gain is None or integral is None:
        return work.propose(found, tick_s)
    return work.check(work.Gains(gain, integral), found, tick_s)


def _stored_map(here: Job) -> ValveMap:
    """The map that `valves` has stored, where it holds."""
    from firmware_py.commission.estimate import CommissionError
    from firmware_py.commission.store import estimate_of
    from firmware_py.commission.valves import Valve, ValveMap, ends_map
    from firmware_py.messages import SIDES

    result = here.book.load("valves")
    if result is None or "valves" not in here.held.applied:
        told = [words for words in (*here.held.refused, *here.held.told) if "valves" in words]
        raise CommissionError(" ".join(["There is no valve map in force: linehold valves.", *told]))
    names = ("overlap_up", "overlap_down", "up", "down", "dead_time", "lag", "cylinder",
             "asymmetry")  # fmt: skip
    both = {
        side: Valve(**{
            name: estimate_of(result.values[f"{side.value} {name.replace('_', ' ')}"])
            for name in names
        })
        for side in SIDES
    }  # fmt: skip
    half = 0.5e-3 * here.rig.blade.width_mm
    return ValveMap(both, ends_map(both, half), half)


def _before_and_after(here: Job, values: dict[str, Any], metres: float) -> None:
    """Two trials on the twin: as the rig file has it, and with map and gains."""
    from firmware_py.commission.before_after import trial
    from firmware_py.commission.estimate import Estimate

    stated, rig = here.stated, here.rig
    mapped = stated.model_copy(update={
        "valves": rig.valves,
        "calibration": stated.calibration.model_copy(update={"valves": rig.calibration.valves}),
    })  # fmt: skip
    gains = {key: values[key].value for key in ("gain_per_s", "integral_s")}
    after = mapped.model_copy(update={"control": mapped.control.model_copy(update=gains)})
    here.say(f"On the simulated twin, {metres:g} m at 0.5 m/s beside its reference:")
    for name, one in (("before", stated), ("after", after)):
        with progress_bar(name) as progress:
            seen = trial(one, mapped, metres, here.seed, progress or (lambda _: None))
        here.say(f"  {name:<7} {seen.words()}")
        values[f"twin rms {name}"] = Estimate(seen.rms_mm * 1e-3, "m", 0.0)
