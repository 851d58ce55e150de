"""`linehold service`: the files that make a run a service of a Raspberry Pi."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import click

from firmware_py.commands.kinds import Folder
from firmware_py.commands.words import cannot_write

PROGRAM = "/opt/linehold/venv/bin/linehold"
MARK = "@PROGRAM@"  # where the program's path goes in the files
HERE = Path(__file__).resolve().parent.parent / "service"


class Part(NamedTuple):
    """One file, where it goes, and what it does."""

    name: str
    goes_to: str
    words: str


PARTS = (
    Part("linehold.service", "/etc/systemd/system/", "the run, behind walls, with a watchdog"),
    Part("after-run", "/etc/linehold/", "switches the computer off when the ignition went off"),
    Part("linehold-user.conf", "/etc/sysusers.d/", "the user that it runs as"),
    Part("70-linehold.rules", "/etc/udev/rules.d/", "names and rights of devices"),
    Part("linehold-journald.conf", "/etc/systemd/journald.conf.d/", "limits of the journal"),
    Part("linehold-watchdog.conf", "/etc/systemd/system.conf.d/", "the computer's own watchdog"),
    Part("fstab.example", "lines for /etc/fstab", "the log partition"),
    Part("config.txt.example", "lines for /boot/firmware/config.txt", "bus, port, halt signal"),
)


@click.command(
    epilog="""\b
Examples:
  linehold service                       what there is, and where it goes
  linehold service -o pi-files           write the files to a folder, to read and to copy

Exit codes: 0 good, 2 bad input and nothing was written. docs/pi.md has the steps."""
)
@click.option("-o", "--out", type=Folder(), metavar="FOLDER",
              help="Write the files there; those of the same names are replaced.")  # fmt: skip
@click.option("--program", default=PROGRAM, show_default=True, metavar="PATH",
              help="Where the program will stand on the Pi.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="One JSON object: what goes where.")
def service(out: Path | None, program: str, as_json: bool) -> None:
    """Files that run Linehold as a service of a Raspberry Pi.

    Nothing is installed by this command: read the files, then copy them yourself.
    """
    import json

    if not program.startswith("/") or not program.isprintable() or set(program) & set(' "%$\\;'):
        raise click.BadParameter(
            "a path from / on without blanks, quotes or any of % $ ; is right",
            click.get_current_context(), param_hint="--program",
        )  # fmt: skip
    if out is not None:
        _write(out, program)
    if as_json:
        click.echo(json.dumps({part.name: part.goes_to for part in PARTS}))
        return
    for part in PARTS:
        click.echo(f"{part.name:24s} {part.goes_to:36s} {part.words}")
    if out is not None:
        click.echo(f"Written to {out}.")


def text_of(part: Part, program: str = PROGRAM) -> str:
    """A file's text, with the program's path in it."""
    return (HERE / part.name).read_text(encoding="utf-8").replace(MARK, program)


def _write(folder: Path, program: str) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for part in PARTS:
            (folder / part.name).write_text(text_of(part, program), encoding="utf-8")
    except OSError as error:
        raise cannot_write("--out", folder, error) from error
