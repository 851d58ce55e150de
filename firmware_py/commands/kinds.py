"""Kinds of arguments: what each refuses, in words of ours with what would be right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from firmware_py.commands.words import in_quotes

if TYPE_CHECKING:
    Kind = click.ParamType[Any]  # newer click's types take an argument, older click's do not
else:
    Kind = click.ParamType


class Number(Kind):
    """A number between two limits, both included; whole when they are. No NaN passes them."""

    name = "number"

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high
        self._whole = isinstance(low, int) and isinstance(high, int)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a refusal."""
        try:
            number: float = int(value) if self._whole else float(value)
        except (ValueError, OverflowError):
            kind = "whole number" if self._whole else "number"
            return self._refuse(value, f"is not a {kind}", param, ctx)
        if not self.low <= number <= self.high:
            return self._refuse(value, "is out of range", param, ctx)
        return number

    def _refuse(
        self, value: Any, wrong: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> NoReturn:
        right = f"{_plain(self.low)} to {_plain(self.high)} is right"
        self.fail(f"{in_quotes(str(value))} {wrong}; {right}", param, ctx)


class File(Kind):
    """The path of a file, which need not be there yet."""

    name = "file"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path, or a refusal; an empty text would be the present folder."""
        if not str(value):
            self.fail("it is empty; a file's name is right", param, ctx)
        return Path(value)


class Folder(Kind):
    """The path of a folder, which need not be there yet."""

    name = "folder"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path, or a refusal."""
        if not str(value):
            self.fail('it is empty; a folder\'s name is right, "." for the present one', param, ctx)
        path = Path(value)
        if path.is_file():
            self.fail(f"{in_quotes(str(value))} is a file; a folder is right", param, ctx)
        return path


def _plain(number: float) -> str:
    return str(number) if isinstance(number, int) else f"{number:g}"
