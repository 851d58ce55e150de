"""What all commissioning commands share: their options, the rig on its bench, saving, undoing."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from firmware_py.commands.kinds import Folder, Number

if TYPE_CHECKING:
    from firmware_py.commission.book import Book
    from firmware_py.commission.estimate import Estimate
    from firmware_py.commission.in_force import InForce
    from firmware_py.commission.procedure import Steps
    from firmware_py.commission.runner import Bench
    from firmware_py.messages import Side
    from firmware_py.settings import Rig
    from firmware_py.settings_bars import AnyBar

R = TypeVar("R")
GIVEN_UP = 1
STORED = "Where results are kept (default: in this user's state folder)."
CODES = """\b
Exit codes: 0 done and stored, 1 given up (a surprise, a refusal, stopped): nothing was stored and
the valves are neutral, 2 bad input, 130 interrupted."""
UNITS = {  # of what is stored, as a person reads it: factor, unit
    "rad": (57.29577951308232, "deg"), "m": (1e3, "mm"), "s": (1e3, "ms"), "m/s": (1e3, "mm/s"),
    "rad/s": (57.29577951308232, "deg/s"),
}  # fmt: skip


def options(command: Callable[..., None]) -> Callable[..., None]:
    """--rig, --store, --seed, --undo, --json."""
    for option in reversed((
        click.option("--rig", "rig_name", default="reference", show_default=True, metavar="RIG",
                     help="A bundled rig or a rig file."),
        click.option("--store", type=Folder(), metavar="FOLDER",
                     help=STORED),
        click.option("--seed", type=Number(0, 2**31 - 1), default=1, metavar="NUMBER",
                     show_default=True, help="Of a simulated machine: which one it is."),
        click.option("--undo", is_flag=True, help="Take the last saved result back."),
        click.option("--json", "as_json", is_flag=True, help="The stored result as JSON."),
    )):  # fmt: skip
        command = option(command)
    return command


@dataclass(frozen=True)
class Job:
    """One command's rig: as its file has it, and with what is in force."""

    stated: Rig
    held: InForce
    book: Book
    seed: int
    as_json: bool

    @property
    def rig(self) -> Rig:
        """With what is in force."""
        return self.held.rig

    def say(self, words: str = "") -> None:
        """For a person; with --json beside the result, not in it."""
        click.echo(words, err=self.as_json)

    def play(self, steps: Steps[R], side: Side | None = None) -> tuple[R, Bench]:
        """Run it at this terminal; what it found, and the bench that it was found on."""
        from firmware_py.commission.runner import play

        bench, show = self._bench(side)
        try:
            return play(steps, bench, show), bench
        finally:
            bench.rig.close()

    def _bench(self, side: Side | None) -> tuple[Bench, Callable[..., None]]:
        from firmware_py.commands.asking import Terminal
        from firmware_py.commission.benches import open_bench
        from firmware_py.devices.which import real_tables

        person = Terminal(simulated=not real_tables(self.stated))
        return open_bench(self.stated, side, self.seed, person), person.show

    def save(
        self, kind: str, part: Any, temperature_c: float | None, values: dict[str, Estimate], *,
        of: str = "", words: str = "",
    ) -> None:  # fmt: skip
        """Store it, tell it, say how to take it back."""
        from firmware_py.commission.in_force import identity

        path = self.book.save(
            kind, identity(self.stated, part, self.seed), temperature_c, values, of=of, words=words
        )
        if self.as_json:
            click.echo(json.dumps(json.loads(path.read_bytes())))
            return
        tell(values)
        again = f"linehold {click.get_current_context().command_path.partition(' ')[2]} --undo"
        click.echo(f"Saved: {path}. It acts from the next run on; {again} takes it back.")


@dataclass(frozen=True)
class BarJob(Job):
    """A job on one bar: its end, and its table as the file has it."""

    end: Side
    table: AnyBar


def bar_job(here: Job, side: str | None) -> BarJob:
    """For the bar that is meant."""
    end = which_bar(here.stated, side)
    return BarJob(
        here.stated, here.held, here.book, here.seed, here.as_json, end, here.stated.bars[end]
    )  # fmt: skip


def job(rig_name: str, store: Path | None, seed: int, as_json: bool) -> Job:
    """The rig and its results; FileFault or CommissionError where they cannot be had."""
    from firmware_py.commission.book import Book, default_folder
    from firmware_py.commission.in_force import in_force
    from firmware_py.settings_file import find_rig, load_rig

    stated = load_rig(find_rig(rig_name))
    book = Book(store or default_folder(), stated)
    return Job(stated, in_force(stated, book, seed), book, seed, as_json)


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """A procedure that was given up is one sentence and exit code 1, nothing stored."""

    @functools.wraps(command)
    def run(**given: Any) -> None:
        from firmware_py.commission.estimate import CommissionError, Surprise

        try:
            command(**given)
        except KeyboardInterrupt:
            click.echo("\nStopped: the valves are neutral, nothing was stored.", err=True)
            raise
        except (CommissionError, Surprise) as error:
            click.echo(f"{error}", err=True)
            click.echo("Nothing was stored; the valves are neutral.", err=True)
            click.get_current_context().exit(GIVEN_UP)

    return run


def begins(
    kind: str, *, right: Callable[[Job], None] = lambda _: None, handled: bool = True
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """How a procedure begins that stores a result of this kind: the rig, --undo, the cautions.

    The command gets its Job, or with --bar its BarJob, and its own options. right: raises where the
    rig cannot do this at all. handled: a machine is, so that the cautions are told.
    """

    def wrap(command: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(command)
        def run(
            *, rig_name: str, store: Path | None, seed: int, undo: bool, as_json: bool,
            **more: Any,
        ) -> None:  # fmt: skip
            here = job(rig_name, store, seed, as_json)
            of = ""
            if "side" in more:
                here = bar_job(here, more.pop("side"))
                of = here.table.device
            right(here)
            if undo:
                here.say(here.book.undo(kind, of))
                return
            if handled:
                cautions()
            command(here, **more)

        return guarded(run)

    return wrap


def cautions() -> None:
    """What everybody is told before a machine is handled."""
    from firmware_py.live.cautions import CAUTIONS

    for caution in CAUTIONS:
        click.echo(caution, err=True)
    click.echo(err=True)


def tell(values: dict[str, Estimate]) -> None:
    """A line a value: value +- k = 2 in the units of a person."""
    from firmware_py.commission.estimate import K

    wide = max(map(len, values), default=0)
    click.echo("Found, +- at k = 2:")
    for name, one in values.items():
        by, unit = _unit(name, one)
        spread = f" +- {K * by * one.u:.3g}" if one.u else ""
        click.echo(f"  {name:<{wide}}  {by * one.value:9.4g}{spread} {unit}")


def _unit(name: str, one: Estimate) -> tuple[float, str]:
    """Factor and unit by which a person reads a value."""
    if one.unit == "1":
        return (100.0, "%") if "overlap" in name or name == "rate" else (1.0, "")
    if name == "speed of sound":
        return 1.0, one.unit
    if one.unit == "s" and one.value >= 1.0:
        return 1.0, "s"
    return UNITS.get(one.unit, (1.0, one.unit))


def which_bar(rig: Rig, side: str | None) -> Side:
    """The bar that is meant: the master's where none is named."""
    from firmware_py.messages import Side

    chosen = rig.control.master if side is None else Side(side)
    if chosen not in rig.bars:
        words = f"the {chosen} end has no bar; {', '.join(rig.bars)} is right"
        raise click.BadParameter(words, param_hint="--bar")
    return chosen


def bar_option(command: Callable[..., None]) -> Callable[..., None]:
    """--bar left|right."""
    choice = click.Choice(["left", "right"])
    return click.option("--bar", "side", type=choice, help="Which one (default: the master's).")(
        command
    )


def has_valves(here: Job) -> None:
    """CommissionError for a rig whose valves have no map: none, a dry run, no lease; or for one
    with on/off outputs that the controller would drive as if they were proportional."""
    from firmware_py.commission.estimate import CommissionError
    from firmware_py.devices.which import NO_LEASE, without_lease

    if here.stated.valves is None:
        raise CommissionError(f"Rig {here.stated.name} has no valves; add [valves] to its file.")
    if without_lease(here.stated):
        raise CommissionError(NO_LEASE)
    if here.stated.valves.kind == "dry-run":
        raise CommissionError("These valves are a dry run: they report and move nothing.")
    plain = here.stated.valves.model_dump(mode="json")
    outputs = [plain[side]["output"] for side in ("left", "right") if side in plain]
    if "on-off" in outputs and not here.stated.valves.pulsed:
        raise CommissionError(
            'An output is "on-off", and valves.pulsed is false: set pulsed = true in [valves], '
            "then the valves are mapped and led by pulses."
        )
