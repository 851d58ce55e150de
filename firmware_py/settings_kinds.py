"""What the tables of devices share: names of ports, buses and pins, and the choice by `kind`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Discriminator, Field, GetCoreSchemaHandler
from pydantic_core import core_schema

from firmware_py.schema import Crossed, View

SIMULATED = "simulated"

DeviceName = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9_.-]*$")]
PathName = Annotated[str, Field(min_length=2, max_length=200, pattern=r"^/[!-~]+$")]
BusName = Annotated[str, Field(max_length=40, pattern=r"^/dev/i2c-[0-9]+$")]
Address = Annotated[int, Field(ge=0x08, le=0x77)]  # 7 bits, as UM10204 leaves them for chips
Pin = Annotated[int, Field(ge=2, le=27)]  # of the 40-pin header, by its GPIO number
Channel = Annotated[int, Field(ge=0, le=15)]  # of a PWM chip
Baud = Annotated[int, Field(ge=1200, le=3_000_000)]


@dataclass(frozen=True)
class Worded:
    """Words that a file may give in place of a number."""

    words: tuple[tuple[str, int], ...]

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self._number, handler(source))

    def _number(self, given: Any) -> Any:
        return dict(self.words).get(given, given) if isinstance(given, str) else given


def one_or_many(most: int) -> Worded:
    """How many echoes: "many" are the most that a kind gives."""
    return Worded((("one", 1), ("many", most)))


BY_NUMBER = re.compile(r"^/dev/tty(USB|ACM)[0-9]+$")


def _tag(key: str, default: str) -> Discriminator:
    """Chooses a table's model by one of its keys; without that key the default one."""

    def told(table: Any) -> str | None:
        if isinstance(table, dict):
            word = table.get(key, default)
            return word if isinstance(word, str) else "?"
        return getattr(table, key, None)

    return Discriminator(told)


BY_KIND = _tag("kind", SIMULATED)
BY_OUTPUT = _tag("output", "coils")


def by_place(key: str, ports: list[str]) -> Iterator[Crossed]:
    """Ports are named by their place: by number, two alike adapters swap at will."""
    for port in ports:
        if BY_NUMBER.match(port):
            words = f"{port} is a number that changes; its name in /dev/serial/by-path is right"
            yield Crossed((key,), words)


def one_port(table: View) -> Iterator[Crossed]:
    """For a table with one `port`."""
    yield from by_place("port", table.known("port"))
