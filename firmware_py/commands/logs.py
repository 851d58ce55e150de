"""`linehold logs`: list, check, export, cut out and thin the recordings of runs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.kinds import File, Folder, Number
from firmware_py.commands.progress import progress_bar
from firmware_py.commands.words import cannot_write

if TYPE_CHECKING:
    from firmware_py.journal.catalog import Glance
    from firmware_py.journal.thin import Choice, Old

DEFAULT = Path("out")  # where `linehold run` and `linehold trial` record
DAMAGED = 1  # exit code of a check


@click.group(
    invoke_without_command=True,
    epilog="""\b
Examples:
  linehold logs                                  those in out/
  linehold logs list /media/stick
  linehold logs check run-20260504-081500.mcap
  linehold logs cut run.mcap -o bend.mcap --from-m 20 --to-m 35
  linehold logs thin out --keep-days 30 --keep-gb 4 --delete

Exit codes: 0 good, 1 a check found damage, 2 bad input, nothing was done.""",
)
@click.pass_context
def logs(ctx: click.Context) -> None:
    """List, check, export, cut and thin the recordings of runs."""
    if ctx.invoked_subcommand is None:
        _list(DEFAULT, False)


@logs.command("list", epilog="Example: linehold logs list out --json")
@click.argument("folder", type=Folder(), default=DEFAULT)
@click.option("--json", "as_json", is_flag=True, help="A JSON list of objects.")
def list_(folder: Path, as_json: bool) -> None:
    """List the logs in FOLDER and below.

    Of each: start, length, size, way driven, rig and how it ended.
    """
    _list(folder, as_json)


def _list(folder: Path, as_json: bool) -> None:
    from firmware_py.journal.catalog import find_logs, glance
    from firmware_py.journal.read import LogError

    found: list[Glance] = []
    others: list[str] = []
    paths = find_logs(folder)
    with progress_bar("Looking") as progress:
        for at, path in enumerate(paths):
            try:
                found.append(glance(path))
            except LogError as error:
                others.append(str(error))
            if progress is not None:
                progress((at + 1) / len(paths))
    found.sort(key=lambda one: (one.started, one.path))
    if as_json:
        click.echo(json.dumps([_plain(one) for one in found], ensure_ascii=False))
        return
    if not found:
        click.echo(f"No log in {folder}.")
    for one in found:
        click.echo(_line(one, folder))
    for words in others:
        click.echo(words, err=True)


def _plain(one: Glance) -> dict[str, Any]:
    return {
        "path": str(one.path), "started": one.started, "length_s": round(one.seconds, 3),
        "bytes": one.bytes, "driven_m": one.driven_m, "rig": one.rig, "notes": one.notes,
        "ended": one.ended, "being_written": one.written,
    }  # fmt: skip


def _line(one: Glance, folder: Path) -> str:
    name = one.path.relative_to(folder) if one.path.is_relative_to(folder) else one.path
    way = "no distance" if one.driven_m is None else f"{one.driven_m:.0f} m"
    return (
        f"{name}  {one.started}  {one.seconds / 60.0:.1f} min  {one.bytes / 1e6:.1f} MB  {way}  "
        f"rig {one.rig}  {one.ended}"
    )


@logs.command(epilog="Example: linehold logs check out/run-20260504-081500.mcap")
@click.argument("paths", nargs=-1, required=True, type=File(), metavar="LOG...")
@click.option("--json", "as_json", is_flag=True, help="A JSON list of objects.")
def check(paths: tuple[Path, ...], as_json: bool) -> None:
    """Read each LOG wholly: gaps, flipped bits, a cut end. Exit code 1 when one is not whole."""
    from firmware_py.journal.catalog import check as check_log
    from firmware_py.journal.read import read_log

    told, good = [], True
    for path in paths:
        with progress_bar(f"Checking {path.name}") as progress:
            found = check_log(read_log(path), progress)
        good = good and found.whole
        told.append({
            "path": str(path), "whole": found.whole, "records": found.records,
            "states": found.states, "gaps": found.gaps, "missing": found.missing,
            "backwards": found.backwards, "lost": list(found.lost),
        })  # fmt: skip
        if not as_json:
            state = "whole" if found.whole else "not whole"
            click.echo(f"{path}: {state}; {found.records} records, {found.missing} missing")
            for words in found.lost:
                click.echo(f"  {words}")
    if as_json:
        click.echo(json.dumps(told, ensure_ascii=False))
    click.get_current_context().exit(0 if good else DAMAGED)


@logs.command(epilog="Example: linehold logs export run.mcap -o run.csv")
@click.argument("log", type=File())
@click.option("-o", "--out", required=True, type=File(), metavar="FILE.csv", help="To be written.")
def export(log: Path, out: Path) -> None:
    """Write each tick of LOG as a row of a CSV file, in mm and %."""
    from firmware_py.journal.excerpt import export_csv
    from firmware_py.journal.read import read_log

    whole = read_log(log)
    try:
        with out.open("w", encoding="utf-8", newline="") as stream, progress_bar("Writing") as told:
            rows = export_csv(whole, stream, told)
    except OSError as error:
        raise cannot_write("--out", out, error) from error
    click.echo(f"{out}: {rows} ticks")
    for words in whole.lost:
        click.echo(f"  {words}")


@logs.command(
    epilog="""\b
Examples:
  linehold logs cut run.mcap -o bend.mcap --from-m 20 --to-m 35
  linehold logs cut run.mcap -o start.mcap --to-s 60"""
)
@click.argument("log", type=File())
@click.option("-o", "--out", required=True, type=File(), metavar="NEW.mcap", help="To be written.")
@click.option("--from-s", type=Number(0.0, 1e6), metavar="S", help="Since the log's start.")
@click.option("--to-s", type=Number(0.0, 1e6), metavar="S")
@click.option("--from-m", type=Number(-1e6, 1e6), metavar="M",
              help="Chainage, or way driven where the log tells none.")  # fmt: skip
@click.option("--to-m", type=Number(-1e6, 1e6), metavar="M")
def cut(
    *, log: Path, out: Path, from_s: float | None, to_s: float | None, from_m: float | None,
    to_m: float | None,
) -> None:  # fmt: skip
    """Cut an interval out of LOG into a log of its own.

    By time or by chainage. It begins up to 10 s earlier, at the state before, so that it can be
    replayed.
    """
    from firmware_py.journal.excerpt import cut as cut_out
    from firmware_py.journal.read import read_log

    by_time, by_way = (from_s, to_s), (from_m, to_m)
    if (by_time == (None, None)) == (by_way == (None, None)):
        words = "--from-s and --to-s, or --from-m and --to-m: one of the two is right"
        raise click.UsageError(words)
    if out.exists():
        raise click.BadParameter(f"{out} is there already; a new name is right", param_hint="--out")
    first, last = _numbers(log, *(by_way if by_time == (None, None) else by_time),
                           by_time != (None, None))  # fmt: skip
    try:
        with progress_bar("Cutting") as progress:
            done = cut_out(read_log(log), first, last, out, progress)
    except OSError as error:
        raise cannot_write("--out", out, error) from error
    click.echo(f"{out}: {done.records} records over {done.end_s - done.start_s:.1f} s")


def _numbers(log: Path, low: float | None, high: float | None, by_time: bool) -> tuple[int, int]:
    """The numbers of the first and last record of an interval."""
    import numpy as np

    from firmware_py.asgraded.chainage import along
    from firmware_py.asgraded.reading import read_run

    with progress_bar("Reading") as progress:
        trip = along(read_run(log, progress))
    if trip.by_time and not by_time:
        words = f"{log} holds no distance; --from-s and --to-s are right"
        raise click.BadParameter(words, param_hint="--from-m")
    at = trip.columns.time - trip.columns.time[0] if by_time else trip.at
    inside = (at >= (-np.inf if low is None else low)) & (at <= (np.inf if high is None else high))
    rows = np.flatnonzero(inside)
    if not rows.size:
        unit = "s" if by_time else "m"
        words = f"{log} runs from {at.min():.1f} to {at.max():.1f} {unit}; some of it is right"
        raise click.BadParameter(words, param_hint="--from-s" if by_time else "--from-m")
    numbers = trip.columns.number
    return int(numbers[rows[0]]), int(numbers[rows[-1]])


@logs.command(
    epilog="""\b
Examples:
  linehold logs thin out --keep-days 30 --keep-gb 4            says what would go
  linehold logs thin out --keep-days 30 --keep-gb 4 --delete   and does it"""
)
@click.argument("folder", type=Folder())
@click.option("--keep-days", type=Number(0.0, 36500.0), metavar="DAYS", help="Older ones go.")
@click.option("--keep-gb", type=Number(0.0, 1e6), metavar="GB",
              help="The oldest go until the rest is within it.")  # fmt: skip
@click.option("--delete", is_flag=True, help="Do it; without this it is only told.")
def thin(
    *, folder: Path, keep_days: float | None, keep_gb: float | None, delete: bool
) -> None:  # fmt: skip
    """Delete old logs by your rule; only told first.

    In FOLDER and below; nothing goes without --delete. Only whole files that are logs of Linehold
    go, never one that is being written. Age is the time since a log was last written, by this
    computer's clock.
    """
    import time

    from firmware_py.journal.thin import choose

    if keep_days is None and keep_gb is None:
        raise click.UsageError("a rule is missing; --keep-days or --keep-gb is right")
    if not folder.is_dir():
        raise click.BadParameter(f"{folder} is not there; a folder of logs is right",
                                 param_hint="FOLDER")  # fmt: skip
    chosen = choose(_old(folder), time.time(), keep_days, keep_gb)
    gone = [one for one in chosen if one.goes]
    for one in chosen:
        click.echo(f"{_verb(one, delete)} {one.old.path}: {one.why}")
    if delete:
        for one in gone:
            one.old.path.unlink()
    size = sum(one.old.bytes for one in gone) / 1e6
    done = "deleted" if delete else "would go; --delete does it"
    click.echo(f"{len(gone)} of {len(chosen)} logs, {size:.1f} MB: {done}")


def _old(folder: Path) -> list[Old]:
    from firmware_py.journal.catalog import being_written, find_logs
    from firmware_py.journal.read import LogError, read_log
    from firmware_py.journal.thin import Old

    out = []
    for path in find_logs(folder):
        stat = path.stat()
        keep = ""
        if path.is_symlink():
            keep = "a link to elsewhere; it stays"
        elif being_written(path):
            keep = "being written; it stays"
        else:
            try:
                read_log(path)
            except LogError:
                keep = "no log of this version; it stays"
        out.append(Old(path, stat.st_mtime, stat.st_size, keep))
    return out


def _verb(one: Choice, delete: bool) -> str:
    if not one.goes:
        return "keep  "
    return "delete" if delete else "would delete"
