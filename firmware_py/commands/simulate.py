"""`linehold trial`: a simulated job, faster than real time, with its result and its picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.progress import progress_bar

if TYPE_CHECKING:
    from firmware_py.trial.result import Result


@click.command(
    epilog="""\b
Examples:
  linehold trial footpath-string
  linehold trial hill-bend --seed 3 --json
  linehold trial my-trial.toml --rig modest --ground measured.npz --out results

Exit codes: 0 the trial was run, whatever came of it, 2 bad input, 130 interrupted."""
)
@click.argument("name", required=False)
@click.option("--list", "listing", is_flag=True, help="List the bundled trials.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="In place of the trial's own.")
@click.option("--rig", metavar="RIG", help="A bundled rig or a rig file, in place of its own.")
@click.option(
    "--ground", metavar="FILE",
    help='A measured ground (.npz), an ISO 8608 class A to H, or "flat", in place of its own.',
)  # fmt: skip
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
    help="Where result, journal and picture go.  [default: out/NAME-SEED]",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object.")
@click.option("--plain", is_flag=True,
              help="The plain loop that Linehold is compared with; it keeps no journal.")  # fmt: skip
def trial(
    name: str | None, listing: bool, seed: int | None, rig: str | None, ground: str | None,
    out: Path | None, as_json: bool, plain: bool,
) -> None:  # fmt: skip
    """Run a simulated job, NAME or FILE.toml, and score it on the simulator's truth."""
    if listing:
        _list()
        return
    if name is None:
        raise click.UsageError("Name a trial or a trial file; --list lists the bundled ones.")
    from firmware_py.trial.scenario import load_trial

    scenario = load_trial(name)
    if seed is not None:
        scenario = scenario.model_copy(update={"seed": seed})
    stem = f"{_safe(scenario.name)}-{scenario.seed}" + ("-plain" if plain else "")
    folder = out or Path("out") / stem
    folder.mkdir(parents=True, exist_ok=True)
    result = _run(scenario, rig, ground, None if plain else folder / f"{stem}.mcap", plain)
    files = _save(result, folder, stem)
    _print(result, files, as_json)
