"""`linehold attach` and `linehold browse`: further dashboards on a running controller."""

from __future__ import annotations

from pathlib import Path

import click

from firmware_py.commands.kinds import Number

PathType = click.Path(path_type=Path, dir_okay=False)
LINK = "The loop's socket (default: in this user's runtime folder)."
MOST_VIEWERS = 8  # as tui.browser has it, which this floor does not import


@click.command(
    epilog="""\b
Examples:
  linehold attach                        a second dashboard on the running loop
  linehold attach --looks                one that can only look
  linehold attach --lines --json         a line a second, for another program

Exit codes: 0 it was left or the loop ended, 1 no loop answers, 2 bad input."""
)
@click.option("--link", type=PathType, metavar="SOCKET", help=LINK)
@click.option("--looks", is_flag=True, help="Look only; the loop refuses every request.")
@click.option("--options", type=PathType, metavar="FILE",
              help="Keys, units, colours and sound of the dashboard.")  # fmt: skip
@click.option("--silent", is_flag=True, help="Start no sound: no cues and no alarm by ear.")
@click.option("--lines", is_flag=True, help="A line a second in place of the dashboard.")
@click.option("--json", "as_json", is_flag=True, help="JSON lines; implies --lines.")
def attach(
    *, link: Path | None, looks: bool, options: Path | None, silent: bool, lines: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Open a further dashboard on a running controller."""
    if lines or as_json:
        _become("firmware_py.live.lines", link, ["--json"] if as_json else [])
    words = ["--looks"] if looks else []
    words += ["--options", str(options)] if options else []
    _become("tui", link, [*words, *(["--silent"] if silent else [])])


@click.command(
    epilog="""\b
Examples:
  linehold browse                                    in a browser on this computer, view only
  linehold browse --on 192.0.2.7 --token-file token.txt
  linehold browse --allow-control --viewers 1

Exit codes: 0 it was ended, 1 a fault, 2 bad input. docs/browser.md says what is protected."""
)
@click.option("--link", type=PathType, metavar="SOCKET", help=LINK)
@click.option("--on", metavar="ADDRESS", help="Of the one network to listen on (this computer).")
@click.option("--port", type=Number(1, 65535), metavar="NUMBER", help="(8022)")
@click.option("--token-file", type=PathType, metavar="FILE",
              help="Holds the token; without it one is made and shown once.")  # fmt: skip
@click.option("--allow-control", is_flag=True, help="Viewers may ask, not only look.")
@click.option("--viewers", type=Number(1, MOST_VIEWERS), metavar="NUMBER",
              help="At once, 1 to 8; each is a process (2).")  # fmt: skip
def browse(
    *, link: Path | None, on: str | None, port: int | None, token_file: Path | None,
    allow_control: bool, viewers: int | None,
) -> None:  # fmt: skip
    """Show the dashboard in a browser, behind a token; off unless this runs."""
    given = {"--on": on, "--port": port, "--token-file": token_file, "--viewers": viewers}
    words = [str(w) for key, value in given.items() if value is not None for w in (key, value)]
    _become("tui.browser", link, [*words, *(["--allow-control"] if allow_control else [])])


def _become(module: str, link: Path | None, words: list[str]) -> None:
    """The rest is that process's: in this one's place, by its name."""
    import os
    import sys

    from firmware_py.link.address import default_path
    from firmware_py.live.processes import environment

    sys.stdout.flush()
    command = [sys.executable, "-P", "-m", module, str(link or default_path()), *words]
    os.execve(sys.executable, command, environment())
