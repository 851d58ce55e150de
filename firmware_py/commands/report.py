"""`linehold report`: what was built against what was asked, from logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.kinds import File, Folder, Number
from firmware_py.commands.progress import progress_bar
from firmware_py.commands.words import cannot_write

if TYPE_CHECKING:
    from collections.abc import Sequence

    from firmware_py.asgraded.columns import Run
    from firmware_py.job import Job


@click.command(
    epilog="""\b
Examples:
  linehold report logs/run-20260504-081500.mcap -o report
  linehold report morning.mcap noon.mcap -o report --job job.toml --levels checks.csv

Exit codes: 0 the report is written (a damaged log's report says what was lost), 2 no report can
be made of what was given, and nothing is written."""
)
@click.argument("logs", nargs=-1, required=True, type=File(), metavar="LOG...")
@click.option("-o", "--out", type=Folder(), required=True, metavar="FOLDER",
              help="Where report.html and stations.csv go.")  # fmt: skip
@click.option("--job", "job_file", type=File(), metavar="JOB.toml",
              help="What was asked, in place of the targets in the log.")  # fmt: skip
@click.option("--levels", type=File(), metavar="CSV",
              help="Check levels: chainage_m, side, level_m (or off_mm).")  # fmt: skip
@click.option("--calibrations", type=Folder(), metavar="FOLDER",
              help="Where the rig's stored calibrations are.")  # fmt: skip
@click.option(
    "--start", "starts", multiple=True, type=Number(-1e6, 1e6), metavar="M",
    help="Chainage at which a log begins, if it does not say; once a log, in order.",
)  # fmt: skip
@click.option(
    "--reference-mm", type=Number(0.0, 100.0), metavar="MM",
    help="Standard uncertainty of the pins', form's or strip's level.  [default: 1]",
)  # fmt: skip
@click.option(
    "--datum-mm", type=Number(0.0, 100.0), metavar="MM",
    help="Standard uncertainty of the level at which the datum was set.  [default: 0]",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print all facts as one JSON object.")
def report(
    *,
    logs: tuple[Path, ...],
    out: Path,
    job_file: Path | None,
    levels: Path | None,
    calibrations: Path | None,
    starts: tuple[float, ...],
    reference_mm: float | None,
    datum_mm: float | None,
    as_json: bool,
) -> None:
    """Write what was built against what was asked, from one LOG or several.

    It is the machine's own record, not an independent survey. Several logs are joined by
    chainage; where two passes were over the same place the later one counts.
    """
    import json

    from firmware_py.asgraded.build import build
    from firmware_py.asgraded.calibrations import assumed, load_folder
    from firmware_py.asgraded.facts import facts
    from firmware_py.asgraded.levels import compare, read_levels
    from firmware_py.asgraded.write import save

    if len(starts) > len(logs):
        raise click.BadParameter(f"it is given {len(starts)} times for {len(logs)} logs; once a "
                                 "log is right", param_hint="--start")  # fmt: skip
    results = load_folder(calibrations) if calibrations is not None else ()
    checks = read_levels(levels) if levels is not None else ()
    runs = _read(logs)
    job = _job(job_file, runs)
    taken = assumed(results, job, reference_mm=reference_mm, datum_mm=datum_mm)
    built = build(runs, job, taken, starts)
    compared = compare(str(levels), checks, built.stations) if checks else None
    told = facts(built, compared)
    try:
        out.mkdir(parents=True, exist_ok=True)
        files = save(built, told, out, results)
    except OSError as error:
        raise cannot_write("--out", out, error) from error
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False, allow_nan=False))
        return
    click.echo(_words(told))
    click.echo("Saved: " + ", ".join(map(str, files)))


def _read(logs: tuple[Path, ...]) -> list[Run]:
    from firmware_py.asgraded.reading import read_run

    runs = []
    for path in logs:
        with progress_bar(f"Reading {path.name}") as progress:
            runs.append(read_run(path, progress))
    return runs


def _job(path: Path | None, runs: Sequence[Run]) -> Job | None:
    """The job that was named, else the one that the first log followed."""
    from pydantic import ValidationError

    from firmware_py.asgraded.reading import ReportError
    from firmware_py.job import Job, load_job

    if path is not None:
        return load_job(path)
    try:
        return Job.model_validate(runs[0].job) if runs[0].job else None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        words = f"the job in the log is not this version's ({where}: {first['msg']})"
        raise ReportError(f"{runs[0].name}: {words}; --job with its file is right") from error


def _words(told: dict[str, Any]) -> str:
    """The report in a few lines."""
    lines = ["As graded, by the machine's own record; no independent survey."]
    if told["by"] == "chainage":
        lines.append(f"Chainage {told['from_m']:.1f} to {told['to_m']:.1f} m.")
    else:
        lines.append("By time: the log holds no distance.")
    for side, end in told["ends"].items():
        lines.append(f"  {side.capitalize()} end: " + _figures(end, "mm", 1))
    lines.append("  Crossfall: " + _figures(told["crossfall"], "pct", 2))
    lines += [
        f"  Listed obstacles left out: {one['from_m']:.1f} to {one['to_m']:.1f} m "
        f"({one['words']}); edge up to {_most(one)} mm over its level"
        for one in told["obstacles"]
    ]
    lines += [f"  Lost of {log['name']}: {words}" for log in told["logs"] for words in log["lost"]]
    for one in (told["check_levels"] or {"figures": ()})["figures"]:
        half = "" if one["bias_k2_mm"] is None else f" ± {one['bias_k2_mm']:.1f}"
        lines.append(f"  Check levels, {one['side']}: machine less check {one['bias_mm']:+.1f}"
                     f"{half} mm, n = {one['n']}")  # fmt: skip
    return "\n".join(lines)


def _most(obstacle: dict[str, Any]) -> str:
    known = [obstacle[f"{side}_most_mm"] for side in ("left", "right")]
    return f"{max((one for one in known if one is not None), default=0.0):.0f}"


def _figures(end: dict[str, Any], unit: str, digits: int) -> str:
    shown = "%" if unit == "pct" else "mm"
    if not end["known"]:
        return "not known anywhere"
    return (
        f"{end[f'expected_rms_{unit}']:.{digits}f} {shown} rms and "
        f"{end['expected_within_pct']:.0f} % within ±{end[f'tolerance_{unit}']:g} {shown} to be "
        f"expected (k = 2 of a station ±{end[f'half_width_{unit}']:.{digits}f} {shown})"
    )
