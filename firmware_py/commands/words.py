"""A wrong command line in one sentence: which command, which part of it, what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path

import click

TYPED = "linehold.typed"  # in the context: the words of the command line
MAX_SHOWN = 40  # letters of a faulty argument that its refusal repeats


def in_quotes(text: str) -> str:
    """A text from the command line, short, and with nothing that moves a cursor."""
    plain = text if text.isprintable() else text.encode("unicode_escape").decode()
    return f'"{plain if len(plain) <= MAX_SHOWN else plain[: MAX_SHOWN - 3] + "..."}"'


def cannot_write(option: str, folder: Path, error: OSError) -> click.UsageError:
    """A folder that cannot be made or written to."""
    words = f"{folder}: {error.strerror or error}; a folder that can be written is right"
    return click.BadParameter(words, click.get_current_context(silent=True), param_hint=option)


def of_usage(error: click.UsageError, command: str) -> str:
    """click's own error as our sentence; `command` is as far as the line was understood."""
    return f"{command}: {_wrong(error, f'{command} --help lists what is right')}"


def of_unknown_command(name: str, names: list[str]) -> str:
    """There is none of that name."""
    told = _close(name, names) or "linehold --help lists them"
    return f"linehold: there is no command {in_quotes(name)}; {told}"


def _wrong(error: click.UsageError, see: str) -> str:
    if isinstance(error, click.MissingParameter):
        return f"{_name(error)} is missing; {see}"
    if isinstance(error, click.BadParameter):
        return f"{_name(error)}: {error.message}"
    if isinstance(error, click.NoSuchOption):
        close = _close(error.option_name, _options(error.ctx))
        return f"there is no option {error.option_name}; {close or see}"
    words = error.message.rstrip(".")
    return f"{words[:1].lower()}{words[1:]}; {see}"


def _close(word: str, choices: list[str]) -> str:
    found = difflib.get_close_matches(word, choices, n=1, cutoff=0.6)
    return f"did you mean {found[0]}?" if found else ""


def _name(error: click.BadParameter) -> str:
    """As a person writes it: --seed, or NAME."""
    param = error.param or _option(error.ctx, str(error.param_hint))
    if param is None:
        return str(error.param_hint or "an argument")
    if error.ctx is None:
        return param.opts[0]
    if isinstance(param, click.Option):
        return _as_typed(param.opts, error.ctx.meta.get(TYPED, ()))
    return param.make_metavar(error.ctx)


def _option(ctx: click.Context | None, name: str) -> click.Parameter | None:
    """The option of a command that has this name."""
    found = [] if ctx is None else [one for one in ctx.command.params if name in one.opts]
    return found[0] if found else None


def _as_typed(names: list[str], typed: Sequence[str]) -> str:
    """The name of an option by which it was asked for; else its first one."""

    def here(name: str) -> bool:
        if name.startswith("--"):
            return any(word.split("=")[0] == name for word in typed)
        return any(word.startswith(name) for word in typed)

    return next(filter(here, names), names[0])


def _options(ctx: click.Context | None) -> list[str]:
    found = ctx.command.get_params(ctx) if ctx is not None else []
    return [name for param in found if isinstance(param, click.Option) for name in param.opts]
