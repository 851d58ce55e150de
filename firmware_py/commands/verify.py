"""`linehold replay`: the same controller over a recording again, bit for bit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from firmware_py.commands.kinds import File
from firmware_py.commands.progress import progress_bar

if TYPE_CHECKING:
    from firmware_py.controller import Controller
    from firmware_py.journal.header import Header


@click.command(
    epilog="""\b
Example:
  linehold replay out/footpath-string-1/journal.mcap

Exit codes: 0 identical (a log with gaps says so), 1 a difference or nothing to compare,
2 the log cannot be read."""
)
@click.argument("log", type=File())
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def replay(log: Path, as_json: bool) -> None:
    """Run the controller again over LOG and compare every tick.

    Says "identical", "n gaps", or the first difference. The same bits are to be expected on the
    same kind of machine with the same versions, which the log holds.
    """
    import json

    from firmware_py.replay import replay as run_again

    with progress_bar("Replaying") as progress:
        outcome = run_again(log, build, progress)
    if as_json:
        click.echo(json.dumps(outcome.as_dict(), allow_nan=False))
    else:
        click.echo(outcome.words())
        for words in outcome.lost:
            click.echo(f"  {words}")
    click.get_current_context().exit(0 if outcome.identical else 1)


def build(header: Header) -> Controller:
    """The controller of a log, from the settings in its header."""
    from pydantic import ValidationError

    from firmware_py.controller import Controller
    from firmware_py.job import Job
    from firmware_py.journal.read import LogError
    from firmware_py.settings import Rig

    try:
        job = Job.model_validate(header.job) if header.job else None
        return Controller(Rig.model_validate(header.settings), job, header.start_m)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise LogError(
            f"the settings in the log are not this version's ({where}: {first['msg']}); "
            f"use linehold {header.versions.get('linehold', '?')}"
        ) from error
