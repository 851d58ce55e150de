"""`linehold rigs`, `check file` and `faults`: what there is, and whether a file is right."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path

import click

from firmware_py.commands.kinds import File


@click.command(epilog="Example: linehold rigs")
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def rigs(as_json: bool) -> None:
    """List the bundled rigs."""
    from firmware_py.settings_file import bundled_rigs, find_rig, load_rig

    paths = {name: find_rig(name) for name in bundled_rigs()}
    if as_json:
        click.echo(json.dumps({name: str(path) for name, path in paths.items()}))
        return
    for name, path in paths.items():
        rig = load_rig(path)
        ends = f"left follows {rig.left.guide}, right follows {rig.right.guide}"
        valves = "" if rig.valves is not None else "; no valves: cues only"
        click.echo(f"{name:12s} {ends}{valves}")


@click.command(
    epilog="""\b
Examples:
  linehold check file my-rig.toml
  linehold check file my-trial.toml

Exit codes: 0 the file is right, 2 it is not: all its faults are told at once."""
)
@click.argument("file", type=File())
def check_file(file: Path) -> None:
    """Check a rig or a trial FILE (or a bundled one by its name)."""
    click.echo(_check(str(file)))


def _check(file: str) -> str:
    from firmware_py.settings_file import bundled_rigs, find_rig, load_rig
    from firmware_py.trial.scenario import bundled_trials, load_trial
    from firmware_py.trial.setup import ground_there, rig_for, rig_named

    if file in bundled_trials() or (file not in bundled_rigs() and _looks_like_a_trial(file)):
        scenario = load_trial(file, [ground_there])
        rig_for(scenario, rig_named(scenario.rig))
        return f"{file}: a trial without faults, on rig {scenario.rig}"
    rig = load_rig(find_rig(file))
    return f"{file}: a rig without faults, named {rig.name}"


def _looks_like_a_trial(file: str) -> bool:
    """By its keys; a file that cannot be parsed is told as a rig, with the same words."""
    from firmware_py.errors import FileFault
    from firmware_py.settings_file import kind_of_text, read_text

    try:
        return kind_of_text(read_text(Path(file))) == "trial"
    except FileFault:
        return False


@click.command(epilog="Example: linehold faults")
@click.option("--json", "as_json", is_flag=True, help="A JSON list of objects.")
def faults(as_json: bool) -> None:
    """Print the fault table: trigger, response, recovery and the words shown."""
    from dataclasses import asdict

    from firmware_py.guard.table import ROWS

    if as_json:
        click.echo(json.dumps([asdict(row) for row in ROWS]))
        return
    for row in ROWS:
        click.echo(row.name)
        for label, text in (
            ("when", row.trigger), ("then", row.response.value),
            ("back", row.recovery.value), ("says", row.words),
        ):  # fmt: skip
            click.echo(textwrap.fill(text, 90, initial_indent=f"  {label}  ",
                                     subsequent_indent=" " * 8))  # fmt: skip
