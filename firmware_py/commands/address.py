"""`linehold address`: which I2C rangers answer, and giving one another address."""

from __future__ import annotations

import json
from typing import Any

import click

from firmware_py.commands.kinds import Kind

KINDS = {"i2c": "plain", "i2c-registers": "registers"}
RANGE = range(0x08, 0x78)  # 7-bit addresses that a chip may have (UM10204 3.1.12)


class AddressKind(Kind):
    """A 7-bit address, as 0x71 or 113."""

    name = "address"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a refusal."""
        try:
            number = value if isinstance(value, int) else int(value, 0)
        except ValueError:
            self.fail(f"'{value}' is no address; 0x71, for instance, is", param, ctx)
        if number not in RANGE:
            words = f"'{value}' is beyond 7 bits for a chip; 0x08 to 0x77 are right"
            self.fail(f"{words} (half of an 8-bit address)", param, ctx)
        return number


@click.command(
    epilog="""\b
Examples:
  linehold address                       which addresses on the bus are answered
  linehold address 0x70 0x71             the ranger at 0x70 is at 0x71 from now on
  linehold address 0x70 0x72 --kind i2c-registers --json

Wire one new ranger at a time: two at one address answer as one, and nobody can see it. The change
stays when the power goes. Undo: the same command with both addresses the other way round.

Exit codes: 0 the ranger moved and gives a range, 2 it did not: one sentence says why."""
)
@click.argument("old", type=AddressKind(), required=False)
@click.argument("new", type=AddressKind(), required=False)
@click.option("--bus", "path", default="/dev/i2c-1", show_default=True, metavar="BUS")
@click.option("--kind", type=click.Choice([*KINDS]), default="i2c", show_default=True,
              help="As in a rig file.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
@click.pass_obj
def address(
    wires: Any, *, old: int | None, new: int | None, path: str, kind: str, as_json: bool
) -> None:
    """Give the I2C ranger at address OLD the address NEW; without both, list who answers."""
    from drivers.i2c import Bus
    from drivers.wires import Wires

    if old is not None and new is None:
        raise click.UsageError(f"0x{old:02X} and what? The new address is right, after the old one")
    found = wires if isinstance(wires, Wires) else Wires()
    bus = Bus(path, found.bus)
    try:
        if old is None or new is None:
            _list(bus, found, as_json)
        else:
            _set(bus, found, (old, new), kind, as_json)
    finally:
        bus.close()


def _list(bus: Any, wires: Any, as_json: bool) -> None:
    from drivers.rangers.address import present

    answer = present(bus, RANGE, wires.clock())
    if as_json:
        click.echo(json.dumps({"bus": bus.path, "answer": answer}))
        return
    words = ", ".join(f"0x{one:02X}" for one in answer) or "nobody"
    click.echo(f"{bus.path}: {words}")


def _set(bus: Any, wires: Any, pair: tuple[int, int], kind: str, as_json: bool) -> None:
    from drivers.rangers.address import set_address

    old, new = pair
    click.echo(f"Only the ranger that moves may answer at 0x{old:02X}.", err=True)
    raw = set_address(bus, old, new, KINDS[kind], clock=wires.clock, wait=wires.wait)  # type: ignore[arg-type]
    if as_json:
        click.echo(json.dumps({"bus": bus.path, "old": old, "new": new, "raw": raw}))
        return
    click.echo(f"0x{old:02X} is 0x{new:02X} now, and gives a range (raw {raw}).")
