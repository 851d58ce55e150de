"""`linehold run`: the loop, live and in real time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from firmware_py.commands.commission import STORED
from firmware_py.commands.kinds import Folder, Number
from firmware_py.commands.look import LINK, PathType
from firmware_py.commands.words import cannot_write

if TYPE_CHECKING:
    from drivers.inputs import Pin
    from firmware_py.commission.in_force import InForce
    from firmware_py.job import Job
    from firmware_py.live.session import Plan
    from firmware_py.settings import Rig


@click.command(
    epilog="""\b
Examples:
  linehold run                           the simulated rig, in real time, with the dashboard
  linehold run --headless --for 30       a line a second, for 30 s
  linehold run --rig two-bars --log logs
  linehold run --job footway --at 12.5   follow a job file from that chainage on
  linehold run --driver none             nobody drives but you, by the dashboard's keys

Exit codes: 0 the run ended well, 1 it ended in a fault, 2 bad input and nothing moved,
3 the ignition went off, 130 interrupted (Ctrl-C), 143 told to terminate. The valves are neutral
after all of them."""
)
@click.option(
    "--rig", "rig_name", default="reference", show_default=True, metavar="RIG",
    help="A bundled rig (see: linehold rigs) or a rig file.",
)  # fmt: skip
@click.option("--job", "job_name", metavar="JOB",
              help="A job file (linehold setout writes one), or a bundled job.")  # fmt: skip
@click.option("--at", "start_m", type=Number(-1e6, 1e6), metavar="CHAINAGE",
              help="Where the cutting edge stands at the start, m.  [default: the job's first "
              "station]")  # fmt: skip
@click.option("--headless", is_flag=True, help="A line a second in place of the dashboard.")
@click.option(
    "--for", "for_s", type=Number(0.1, 86400.0), metavar="SECONDS",
    help="End after so many seconds, 0.1 to 86400.",
)  # fmt: skip
@click.option(
    "--log", "folder", type=Folder(), default="out",
    show_default=True, metavar="FOLDER", help="Where the recording goes.",
)  # fmt: skip
@click.option("--seed", type=Number(0, 2**31 - 1), default=1, metavar="NUMBER", show_default=True,
              help="Of the simulated ground, noise and driver.")  # fmt: skip
@click.option("--driver", type=click.Choice(["auto", "none"]), default="auto", show_default=True,
              help="The simulated driver: does the whole job, or waits for your keys.")  # fmt: skip
@click.option("--store", type=Folder(), metavar="FOLDER", help=STORED)
@click.option("--link", type=PathType, metavar="SOCKET",
              help=LINK)  # fmt: skip
@click.option("--options", type=PathType, metavar="FILE",
              help="Keys, units, colours and sound of the dashboard.")  # fmt: skip
@click.option("--silent", is_flag=True, help="Start no sound: no cues and no alarm by ear.")
@click.option("--truth", type=PathType, metavar="FILE",
              help="Where the simulated blade truly is, as CSV, for a judge.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="JSON lines; implies --headless.")
def run(
    *,
    rig_name: str, job_name: str | None, start_m: float | None, headless: bool,
    for_s: float | None, folder: Path, seed: int, driver: str, store: Path | None,
    link: Path | None, options: Path | None, silent: bool, truth: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Run the controller live on a rig, with a recording and the dashboard.

    On the simulated rig, a simulated driver sets the datum, engages, drives to the end of the
    path and stops. The loop, the recording and the dashboard are processes of their own.
    """
    import math

    from firmware_py.devices.which import allowed, told_of
    from firmware_py.live import session
    from firmware_py.live.cautions import CAUTIONS
    from firmware_py.settings_file import find_rig, load_rig

    path = find_rig(rig_name)
    asked = load_rig(path)
    held, state = _in_force(asked, store, seed)
    told, job = (*told_of(asked), *held.told), _job(job_name, start_m, asked)
    plan = session.Plan(
        rig=allowed(held.rig), stated=asked, state=state, calibrated=tuple(held.applied),
        told=told, rig_text=path.read_text(encoding="utf-8-sig"), folder=folder,
        job=job, start_m=start_m,
        headless=headless or as_json, as_json=as_json,
        for_s=math.inf if for_s is None else for_s, seed=seed, link=link,
        drives_itself=driver == "auto", truth=truth, options=options, sound=not silent,
        ignition=_ignition(asked),
    )  # fmt: skip
    _check(plan)
    for caution in (*CAUTIONS, *told):
        click.echo(caution, err=True)
    report = session.run(plan)
    _tell(report.sentences(), report.as_dict() if as_json else None)
    click.get_current_context().exit(report.code)


def _in_force(stated: Rig, store: Path | None, seed: int) -> tuple[InForce, Path]:
    """The rig with what was found, and where that is kept; refused where anything is missing."""
    from firmware_py.commission.book import Book, default_folder
    from firmware_py.commission.estimate import CommissionError
    from firmware_py.commission.in_force import in_force

    folder = store or default_folder()
    held = in_force(stated, Book(folder, stated), seed)
    if held.refused:
        told = f"Rig {stated.name} may not run yet; nothing moved."
        raise CommissionError(f"{told}\n{held.words()}")
    return held, folder


def _job(name: str | None, start_m: float | None, rig: Rig) -> Job | None:
    """The job that is asked for, found to fit the rig."""
    from firmware_py.job import find_job, load_job, misfit

    if name is None:
        if start_m is not None:
            raise click.UsageError("--at: there is no job; --job with a job file is right")
        return None
    job = load_job(find_job(name))
    if why := misfit(job, rig):
        raise click.UsageError(f"--job: {why}")
    return job


def _check(plan: Plan) -> None:
    """What would refuse the run is found before the cautions, which announce that it begins."""
    import tempfile

    from firmware_py.live.scene import check_simulated
    from firmware_py.live.screen import check_options
    from firmware_py.twin import twin

    if plan.simulates:
        check_simulated(twin(plan.stated or plan.rig))
    if plan.options is not None and (code := check_options(plan.link_path, plan.options)):
        click.get_current_context().exit(code)
    if plan.truth is not None and not plan.truth.parent.is_dir():
        raise click.UsageError(
            f"--truth: {plan.truth.parent} is no folder; one that is there is right"
        )
    try:
        plan.folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=plan.folder):
            pass
    except OSError as error:
        raise cannot_write("--log", plan.folder, error) from error


def _ignition(rig: Rig) -> Pin | None:
    """Its pin, opened; DeviceError where the rig names one and this computer has no such pin."""
    if rig.ignition.pin is None:
        return None
    from drivers.inputs import GpioInput

    return GpioInput(rig.ignition.pin)


def _tell(sentences: tuple[str, ...], as_dict: dict[str, object] | None) -> None:
    import json

    if as_dict is not None:
        click.echo(json.dumps(as_dict, allow_nan=False))
        return
    for sentence in sentences:
        click.echo(sentence)
