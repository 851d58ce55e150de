"""`linehold check` and `linehold budget`: is this rig right today, and what can it do?"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from firmware_py.commands.commission import (
    CODES,
    STORED,
    bar_option,
    begins,
    cautions,
    guarded,
    job,
    options,
)
from firmware_py.commands.kinds import Folder, Number
from firmware_py.commands.show import check_file
from firmware_py.commands.words import in_quotes

if TYPE_CHECKING:
    from firmware_py.commands.commission import BarJob, Job
    from firmware_py.commission.budget import Budget, Conditions

WRONG = 1
RIG = click.option("--rig", "rig_name", default="reference", show_default=True, metavar="RIG",
                   help="A bundled rig or a rig file.")  # fmt: skip
STORE = click.option("--store", type=Folder(), metavar="FOLDER", help=STORED)
SEED = click.option("--seed", type=Number(0, 2**31 - 1), default=1, metavar="NUMBER",
                    show_default=True, help="Of a simulated machine: which one it is.")  # fmt: skip
JSON = click.option("--json", "as_json", is_flag=True, help="One JSON object.")


class Checks(click.Group):
    """Tells of a file that stands where a check should, and of options that would be lost."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The check that is meant."""
        if self.get_command(ctx, args[0]) is None:
            meant = f"linehold check file {args[0]} checks a file" if args[0] else "it is empty"
            names = ", ".join(self.list_commands(ctx))
            raise click.UsageError(
                f"{in_quotes(args[0])} is no check; {names} are right, and {meant}", ctx
            )
        given = [
            f"--{name.removesuffix('_name').removesuffix('_mm').removeprefix('as_')}"
            for name in ctx.params
            if ctx.get_parameter_source(name) is not ParameterSource.DEFAULT
        ]
        if given:
            right = f"linehold check {args[0]} {' '.join(given)}"
            raise click.UsageError(f"options stand after {args[0]}: {right} is right", ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=Checks,
    invoke_without_command=True,
    epilog="""\b
Examples:
  linehold check                         the start-of-day list, on the simulated rig
  linehold check --rig my-rig.toml
  linehold check slope                   is the crossfall still right?
  linehold check string                  does this bar hear this line?
  linehold check levers                  is a hand on each lever seen?
  linehold check file my-rig.toml

Exit codes: 0 all is right, 1 something is not: all of it is told at once, 2 bad input,
130 interrupted.""",
)
@RIG
@STORE
@SEED
@click.option("--pins", "pins_mm", type=Number(5.0, 300.0), default=50.0, show_default=True,
              metavar="MM", help="How far pins stand proud of their line.")  # fmt: skip
@JSON
@click.pass_context
def check(
    ctx: click.Context, *, rig_name: str, store: Path | None, seed: int, pins_mm: float,
    as_json: bool,
) -> None:  # fmt: skip
    """The start-of-day list: devices, rates, noise, cables, mounting, and what is calibrated."""
    if ctx.invoked_subcommand is None:
        _day(rig_name=rig_name, store=store, seed=seed, pins_mm=pins_mm, as_json=as_json)


@guarded
def _day(*, rig_name: str, store: Path | None, seed: int, pins_mm: float, as_json: bool) -> None:
    from firmware_py.commission.daily import daily_steps

    here = job(rig_name, store, seed, as_json)
    cautions()
    found, _ = here.play(daily_steps(here.rig, pins_mm))
    wrong = [*found.wrong, *here.held.refused]
    expected = _budget(here, 0.5, 0.02)
    if as_json:
        click.echo(json.dumps({
            "right": not wrong, "wrong": wrong, "good": list(found.good),
            "in_force": here.held.applied, "not_in_force": here.held.told,
            "budget": as_dict(expected),
        }))  # fmt: skip
    else:
        for name in found.good:
            click.echo(f"right: {name}")
        for words in wrong:
            click.echo(f"WRONG: {words}")
        for words in here.held.told:
            click.echo(f"note: {words}")
        click.echo("in force: " + (", ".join(here.held.applied) or "nothing was calibrated yet"))
        click.echo(expected.words())
    click.get_current_context().exit(WRONG if wrong else 0)


@check.command(
    "slope",
    epilog=f"""\b
Examples:
  linehold check slope                   out and back over five marks
  linehold check slope --level           against a digital level on the edge

{CODES}""",
)
@options
@click.option("--level", is_flag=True, help="A digital level on the cutting edge, typed in.")
@click.option("--within", type=Number(0.01, 1.0), default=0.05, show_default=True, metavar="DEG",
              help="What that level may be off by, either way.")  # fmt: skip
@begins("slope")
def slope(here: Job, *, level: bool, within: float) -> None:
    """Check the crossfall: out and back over the same marks, or by a digital level.

    Asked for again after 10 K or 2 engaged hours. Moves no valve.
    """
    from firmware_py.commission.estimate import CommissionError, Estimate
    from firmware_py.commission.slope import Mounted, level_steps, slope_steps

    sensor = here.rig.inertial
    mounted = Mounted(math.radians(sensor.mount_yaw_deg), math.radians(sensor.zero_roll_deg))
    steps = level_steps(mounted, math.radians(within)) if level else slope_steps(mounted)
    found, _ = here.play(steps, here.rig.control.master)
    here.say(found.check.words)
    if not found.check.passed:
        raise CommissionError("The slope check did not pass.")
    values = {"crossfall off": found.check.off, "roll zero": Estimate(mounted.roll, "rad", 0.0)}
    here.save("slope", here.stated.inertial, found.temperature_c, values, words=found.check.words)


@check.command(
    "string",
    epilog=f"""\b
Examples:
  linehold check string
  linehold check string --rig two-bars --bar right --clearance 400 --clearance 700

{CODES}

Code 1 also for a line that is heard in less than 80 %: stored, and `run` refuses to follow it.""",
)
@options
@bar_option
@click.option("--clearance", "clearances", type=Number(200.0, 1500.0), multiple=True, metavar="MM",
              help="To be tried; may be given several times (450 and 600).")  # fmt: skip
@click.option("--lateral", "laterals", type=Number(-400.0, 400.0), multiple=True, metavar="MM",
              help="Likewise; left of the bar's middle > 0 (0, 75 and -75).")  # fmt: skip
@begins("string")
def string(
    here: BarJob, *, clearances: tuple[float, ...], laterals: tuple[float, ...]
) -> None:  # fmt: skip
    """Check that this bar hears this line: hit rate and spread by clearance and lateral."""
    from firmware_py.commission.string_check import string_steps
    from firmware_py.sense.ranging import element_positions
    from firmware_py.sense.sound import speed_of_sound

    table = here.table
    places = [
        (1e-3 * c, 1e-3 * y) for c in clearances or (450.0, 600.0)
        for y in laterals or (0.0, 75.0, -75.0)
    ]  # fmt: skip
    steps = string_steps(
        table.device, element_positions(table.elements, table.spacing_mm * 1e-3),
        math.radians(table.beam_half_angle_deg), speed_of_sound(20.0), places=places,
    )  # fmt: skip
    found, bench = here.play(steps, here.end)
    here.say(_cells(found.cells))
    here.say(found.words)
    here.save("string", table, bench.warmth_c, {"rate": found.rate}, of=table.device,
              words=found.words)  # fmt: skip
    if not found.ok:
        click.get_current_context().exit(WRONG)


def _cells(cells: tuple[Any, ...]) -> str:
    rows = ["  clearance  lateral   heard   spread"]
    for one in cells:
        spread = "      -" if one.spread_m is None else f"{1e3 * one.spread_m:4.1f} mm"
        heard = f"{100.0 * one.rate:4.0f} %" if one.fired else "   out of view"
        rows.append(
            f"  {1e3 * one.clearance_m:6.0f} mm {1e3 * one.lateral_m:+5.0f} mm  {heard}  {spread}"
        )
    return "\n".join(rows)


@check.command(
    "levers",
    epilog="""\b
Examples:
  linehold check levers --rig my-rig.toml
  linehold check levers --json

Exit codes: 0 each hand is seen, 1 one is not, or none can be, 2 bad input, 130 interrupted.""",
)
@RIG
@STORE
@SEED
@JSON
@guarded
def levers(*, rig_name: str, store: Path | None, seed: int, as_json: bool) -> None:
    """Check that a hand on each lever is seen, either way, and not seen when it is off.

    ENGINE OFF (a pressure switch wants it idling): you move the levers. Moves no valve by
    itself, stores nothing.
    """
    from firmware_py.commission.estimate import CommissionError
    from firmware_py.commission.levers import lever_steps
    from firmware_py.devices.which import NO_HAND

    here = job(rig_name, store, seed, as_json)
    if not here.stated.driver.senses_hand:
        raise CommissionError(NO_HAND)
    cautions()
    wrong, _ = here.play(lever_steps(here.rig))
    if as_json:
        click.echo(json.dumps({"right": not wrong, "wrong": wrong}))
    else:
        for words in wrong:
            click.echo(f"WRONG: {words}")
        if not wrong:
            click.echo("right: a hand on either lever is seen, either way, and gone when it is off")
    click.get_current_context().exit(WRONG if wrong else 0)


check.add_command(check_file, "file")


@click.command(
    epilog="""\b
Examples:
  linehold budget
  linehold budget --rig my-rig.toml --speed 1.0 --grade 5 --json

Exit codes: 0 told, 1 it cannot be, 2 bad input."""
)
@RIG
@STORE
@SEED
@click.option("--speed", type=Number(0.0, 2.0), default=0.5, show_default=True, metavar="M/S",
              help="Over ground.")  # fmt: skip
@click.option("--grade", "grade_pct", type=Number(-20.0, 20.0), default=2.0, show_default=True,
              metavar="PERCENT", help="Of the job, along the way.")  # fmt: skip
@JSON
@guarded
def budget(
    *, rig_name: str, store: Path | None, seed: int, speed: float, grade_pct: float, as_json: bool
) -> None:
    """The accuracy to expect of this rig: every source in mm and %, and the largest named.

    Standard uncertainties by JCGM 100, added as squares, the sum at k = 2.
    """
    here = job(rig_name, store, seed, as_json)
    found = _budget(here, speed, 0.01 * grade_pct)
    if as_json:
        click.echo(json.dumps(as_dict(found)))
        return
    click.echo("  source (k = 1)          led end  other end  crossfall")
    for one in (*found.lines, found.total):
        click.echo(
            f"  {one.name:<22} {1e3 * one.led:5.2f} mm   {1e3 * one.other:5.2f} mm"
            f"    {100.0 * one.crossfall:6.3f} %"
        )
    click.echo(found.words())


def _budget(here: Job, speed: float, grade: float) -> Budget:
    """With the uncertainties of what is in force, in place of the usual ones."""
    from firmware_py.commission.budget import budget

    return budget(here.rig, conditions(here, speed, grade))


def conditions(here: Job, speed: float, grade: float) -> Conditions:
    """What the job and the stored results say."""
    from firmware_py.commission.budget import Conditions

    known: dict[str, float] = {"speed_mps": speed, "grade": grade}
    for kind, name, key in (
        ("tilt", "roll zero", "tilt_zero_u"), ("tilt", "mounting yaw", "mount_yaw_u"),
        ("valves", "dead time", "dead_time_u"),
    ):  # fmt: skip
        result = here.book.load(kind) if kind in here.held.applied else None
        if result is not None:
            known[key] = result.values[name].u
    return Conditions(**known)


def as_dict(found: Budget) -> dict[str, Any]:
    """For --json: mm and %, standard uncertainties."""
    return {
        "lines": [
            {"source": one.name, "led_mm": 1e3 * one.led, "other_mm": 1e3 * one.other,
             "crossfall_pct": 100.0 * one.crossfall}
            for one in (*found.lines, found.total)
        ],
        "largest": found.largest, "largest_of_crossfall": found.largest_of_crossfall,
        "words": found.words(),
    }  # fmt: skip
