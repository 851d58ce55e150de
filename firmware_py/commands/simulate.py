"""`linehold trial`: a simulated job, faster than real time, with its result and its picture."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firmware_py.commands.kinds import Folder, Number
from firmware_py.commands.progress import progress_bar
from firmware_py.commands.words import cannot_write

if TYPE_CHECKING:
    from firmware_py.trial.result import Result
    from firmware_py.trial.scenario import Scenario


@click.command(
    epilog="""\b
Examples:
  linehold trial footpath-string
  linehold trial hill-bend --seed 3 --json
  linehold trial first-cut
  linehold trial footpath-string --job my-job.toml
  linehold trial my-trial.toml --rig modest --ground measured.npz --out results

Exit codes: 0 the trial was run, whatever came of it, 2 bad input, 130 interrupted."""
)
@click.argument("name", required=False)
@click.option("--list", "listing", is_flag=True, help="List the bundled trials.")
@click.option("--seed", type=Number(0, 2**31 - 1), metavar="NUMBER",
              help="In place of the trial's own.")  # fmt: skip
@click.option("--rig", metavar="RIG", help="A bundled rig or a rig file, in place of its own.")
@click.option(
    "--ground", metavar="FILE",
    help='A measured ground (.npz), an ISO 8608 class A to H, or "flat", in place of its own.',
)  # fmt: skip
@click.option("--job", metavar="JOB", help="A job file or a bundled job, in place of its own.")
@click.option(
    "--out", type=Folder(), metavar="FOLDER",
    help="Where result, journal and picture go.  [default: out/NAME-SEED]",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object.")
@click.option("--plain", is_flag=True, help="The plain loop of comparison; it keeps no journal.")
def trial(
    *,
    name: str | None,
    listing: bool,
    seed: int | None,
    rig: str | None,
    ground: str | None,
    job: str | None,
    out: Path | None,
    as_json: bool,
    plain: bool,
) -> None:
    """Run a simulated job, NAME or FILE.toml, and score it on the simulator's truth."""
    if listing:
        _list()
        return
    if name is None:
        words = "it is missing; a trial file or a bundled trial is right, --list names those"
        raise click.BadParameter(words, param_hint="NAME")
    from firmware_py.trial.scenario import load_trial
    from firmware_py.trial.setup import ground_there

    scenario = load_trial(name, [ground_there] if ground is None else [])
    if seed is not None:
        scenario = scenario.model_copy(update={"seed": seed})
    stem = f"{_safe(scenario.name)}-{scenario.seed}{'-plain' if plain else ''}"
    folder = out or Path("out") / stem
    journal = None if plain else folder / "journal.mcap"
    result = _run(scenario, (rig, ground, job), journal, partial(_make, folder))
    files = _save(result, folder)
    _print(result, [path for path in (*files, journal) if path is not None], as_json)


def _list() -> None:
    from firmware_py.trial.scenario import bundled_trials, load_trial

    for name in bundled_trials():
        click.echo(f"{name:16s} {load_trial(name).words}")


def _safe(name: str) -> str:
    """A trial's name as a file's name, whatever it holds."""
    words = "".join(c if c.isalnum() or c in "-_." else "-" for c in name)
    return words.strip(".-") or "trial"


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write("--out", folder, error) from error


def _run(
    scenario: Scenario,
    own: tuple[str | None, str | None, str | None],
    journal: Path | None,
    ready: Callable[[], None],
) -> Result:
    """own: rig, ground and job in place of the trial's."""
    from firmware_py.trial.run import run_trial

    rig, ground, job = own
    with progress_bar(scenario.name) as progress:
        return run_trial(
            scenario,
            rig,
            ground=ground,
            job=job,
            journal=journal,
            progress=progress,
            ready=ready,
            controller="plain" if journal is None else "linehold",
        )


def _save(result: Result, folder: Path) -> tuple[Path, Path]:
    """The result as JSON and the picture; their paths."""
    import json

    from firmware_py.trial.picture import save_picture

    numbers, picture = folder / "result.json", folder / "graded.png"
    text = json.dumps(result.summary, indent=2, ensure_ascii=False, allow_nan=False)
    numbers.write_text(text + "\n", encoding="utf-8")
    save_picture(result, picture)
    return numbers, picture


def _print(result: Result, files: list[Path], as_json: bool) -> None:
    import json

    if as_json:
        click.echo(json.dumps(result.summary, ensure_ascii=False, allow_nan=False))
        return
    from firmware_py.trial.words import in_words

    click.echo(in_words(result))
    click.echo("Saved: " + ", ".join(str(path) for path in files))
