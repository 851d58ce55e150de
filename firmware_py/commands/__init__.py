"""The command `linehold`. Heavy modules are imported where they are used: --help stays quick.

Exit codes, of every command: 0 good; 1 a run that ended in a fault, or a replay that differs;
2 bad input, nothing was done; 3 the ignition went off; 130 interrupted;
143 told to terminate, 129 hung up.
"""

from __future__ import annotations

import errno
import os
import sys
from typing import Any

import click

from firmware_py import __version__
from firmware_py.commands.address import address
from firmware_py.commands.calibrate import bar, tilt, valves
from firmware_py.commands.checks import budget, check
from firmware_py.commands.listing import write_day
from firmware_py.commands.live import run
from firmware_py.commands.logs import logs
from firmware_py.commands.look import attach, browse
from firmware_py.commands.report import report
from firmware_py.commands.service import service
from firmware_py.commands.setting_out import passes, setout
from firmware_py.commands.show import faults, rigs
from firmware_py.commands.simulate import trial
from firmware_py.commands.string_sums import chord, sag, spacing
from firmware_py.commands.tuning import tune
from firmware_py.commands.verify import replay
from firmware_py.commands.words import TYPED, of_unknown_command, of_usage

BAD_INPUT, INTERRUPTED = 2, 130
DEBUG = "LINEHOLD_DEBUG"  # set to 1: errors come with their traceback


class Told(click.ClickException):
    """An error of ours as one sentence (a file's faults: one line each)."""

    exit_code = BAD_INPUT

    def show(self, file: Any = None) -> None:
        """On standard error, without a traceback."""
        click.echo(self.message, file=file or sys.stderr)


class Commands(click.Group):
    """A group whose commands end in a sentence, not in a traceback."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """What stands before the command's name; all that was typed is kept for the errors."""
        ctx.meta[TYPED] = tuple(args)
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            raise _told(error, ctx) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """In the order of a day's work, with words that no line cuts."""
        write_day(formatter)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that was asked for; told here if there is none."""
        if self.get_command(ctx, args[0]) is None and not args[0].startswith("-"):
            raise Told(of_unknown_command(args[0], self.list_commands(ctx)))
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("Interrupted.", err=True)
            ctx.exit(INTERRUPTED)
        except click.UsageError as error:
            raise _told(error, ctx) from error
        except (click.ClickException, click.exceptions.Exit):
            raise
        except Exception as error:
            if os.environ.get(DEBUG) == "1" or not _ours(error):
                raise
            raise Told(_words(error)) from error


def _told(error: click.UsageError, ctx: click.Context) -> click.ClickException:
    """A wrong command line; no arguments at all are answered with the help, as click does it."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        return error
    known = (ctx.invoked_subcommand or "") in cli.commands
    names = [str(ctx.invoked_subcommand)] if known else []
    here, below = error.ctx, list[str]()
    while known and here is not None and here.parent is not None:
        below.insert(0, str(here.info_name))
        here = here.parent
    return Told(of_usage(error, " ".join(["linehold", *(below or names)])))


def _ours(error: Exception) -> bool:
    from firmware_py.errors import LineholdError

    if isinstance(error, OSError) and error.errno == errno.EPIPE:
        return False  # click's own: whoever read our output has gone
    return isinstance(error, (LineholdError, OSError))


def _words(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: linehold trial footpath-string",
)
@click.version_option(__version__, prog_name="linehold")
def cli() -> None:
    """Grade a strip to its string: an open control loop for a small box blade.

    A prototype, certified by nobody. Keep people away from the blade and the machine.
    """


COMMANDS = (
    run, attach, browse, trial, replay, report, logs, tilt, bar, valves, tune, check, budget, rigs,
    faults, address, service,
)  # fmt: skip
for command in COMMANDS:
    cli.add_command(command)
for command in (setout, sag, chord, spacing, passes):
    cli.add_command(command)


def main() -> None:
    """Entry point of the installed command."""
    # Before numpy: its threads wait by spinning, in each process of a run, for sums of a few cells.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        cli(prog_name="linehold")
    except OSError as error:  # of --help and --version, which end before a command is invoked
        if os.environ.get(DEBUG) == "1" or not _ours(error):
            raise
        click.echo(f"linehold: the words cannot be written: {_words(error)}", err=True)
        sys.exit(BAD_INPUT)
