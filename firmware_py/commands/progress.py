"""Progress on standard error, for people only: no terminal, no bar."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

STEPS = 1000


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None] | None]:
    """Gives what is to be called with the share done, 0 to 1; None without a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=STEPS, label=label, file=sys.stderr) as bar:

        def progress(share: float) -> None:
            bar.update(max(0, round(share * STEPS) - bar.pos))

        yield progress
