"""A person at a terminal: questions, answers, progress. Answers come by standard input."""

from __future__ import annotations

import math
import queue
import sys
import textwrap
import threading
import time

import click

from firmware_py.commission.procedure import Next
from firmware_py.commission.runner import Said, Stopped

WIDTH = 88
HINTS = {"ready": "Enter when done", "confirm": "type yes to go on", "number": "number"}
GONE = "No answer came; nothing was stored."
BAR = 24  # characters
EVERY_S = 0.1  # between two looks of the progress line
TOLD = 0.25  # of a part, between two lines where there is no terminal


class Terminal:
    """`ask` waits; `begin` and `poll` do not, and any line that nobody asked for stops it all."""

    def __init__(self, *, simulated: bool) -> None:
        self._simulated = simulated
        self._lines: queue.Queue[str] | None = None
        self._shown = self._told = ""
        self._drawn_s = self._share = 0.0
        self._terminal = sys.stderr.isatty()

    def ask(self, asked: Next, offer: float | None) -> Said:
        """Put the question until the answer is one."""
        while True:
            self._put(asked, offer)
            line = sys.stdin.readline()
            if not line:
                raise Stopped(GONE)
            if (said := self._said(asked, line.strip(), offer)) is not None:
                return said

    def begin(self, asked: Next) -> None:
        """Put the question."""
        if self._lines is None:
            self._lines = queue.Queue()
            threading.Thread(target=self._listen, args=(self._lines,), daemon=True).start()
        self._put(asked, None)

    def poll(self, asked: Next | None) -> Said | None:
        """What was typed since."""
        if self._lines is None or self._lines.empty():
            return None
        line = self._lines.get()
        if not line:
            raise Stopped(GONE)
        if asked is None:
            raise Stopped("Stopped by the keyboard; nothing was stored.")
        said = self._said(asked, line.strip(), None)
        if said is None:
            self._put(asked, None)
        return said

    def show(self, after: Next) -> None:
        """How far it has come; a line over itself, or now and then one for a file."""
        if after.ask or after.done:
            self._clear()
            return
        now = time.monotonic()
        if not self._terminal:
            self._tell(after)
        elif now - self._drawn_s > EVERY_S:
            self._drawn_s = now
            full = round(BAR * after.share)
            bar = f"[{'#' * full}{'.' * (BAR - full)}] {100.0 * after.share:3.0f} %"
            self._shown = f"  {bar}  {after.words}"[:WIDTH]
            click.echo(f"\r{self._shown:<{WIDTH}}", nl=False, err=True)

    def _tell(self, after: Next) -> None:
        """A line a part; of one that moves the blade, a line a quarter."""
        if not after.moves and after.words == self._told:
            return
        if after.moves and after.share < self._share + TOLD:
            return
        self._told = after.words
        done = f"{100.0 * after.share:3.0f} %  " if after.moves else ""
        self._share = after.share if after.moves else 0.0
        click.echo(f"  {done}{after.words}", err=True)

    def _clear(self) -> None:
        self._share, self._told = 0.0, ""
        if self._shown:
            click.echo(f"\r{'':<{WIDTH}}\r", nl=False, err=True)
            self._shown = ""

    def _put(self, asked: Next, offer: float | None) -> None:
        self._clear()
        click.echo(textwrap.fill(asked.words, WIDTH), err=True)
        hint = HINTS[asked.ask]
        if asked.ask == "number" and math.isfinite(asked.span[0]):
            hint = f"{asked.span[0]:g} to {asked.span[1]:g}"
        if offer is not None:
            hint += f"; Enter: {offer:.1f}, as the simulated person reads it"
        elif self._simulated and asked.ask == "ready":
            hint = "Enter: the simulated person does it"
        click.echo(f"  ({hint}) > ", nl=False, err=True)

    def _said(self, asked: Next, line: str, offer: float | None) -> Said | None:
        """The answer, or None after it was said what would be right."""
        if not sys.stdin.isatty():
            click.echo(line, err=True)  # a script's answer is seen in its record
        if asked.ask != "number":
            return line if asked.ask == "confirm" else "ready"
        if not line and offer is not None:
            return offer
        low, high = asked.span
        try:
            number = float(line.replace(",", "."))
        except ValueError:
            number = math.nan
        if low <= number <= high:
            return number
        click.echo(f'"{line[:20]}" is not right; a number from {low:g} to {high:g} is.', err=True)
        return None

    @staticmethod
    def _listen(lines: queue.Queue[str]) -> None:
        while line := sys.stdin.readline():
            lines.put(line)
        lines.put("")
