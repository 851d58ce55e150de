"""What every file of settings is made of: strict tables, and checks across their values."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, ClassVar, NamedTuple, Self

from pydantic import BaseModel, ConfigDict, model_validator
from pydantic_core import PydanticCustomError


class Unknown:
    """Stands in a View where the file holds nothing valid."""


UNKNOWN = Unknown()


class Partial(dict[str, Any]):
    """A table with a key that is not valid: it may be meant for one that seems to be absent."""


class Crossed(NamedTuple):
    """Values that do not go together: the keys to blame, the likeliest first, and the words."""

    keys: tuple[str, ...]
    words: str


def _doubtful(value: Any) -> bool:
    """Not valid, or a list with an item that is not: no check need look at each item then."""
    return value is UNKNOWN or (isinstance(value, list) and any(map(_doubtful, value)))


class View:
    """A table as a cross check sees it: defaults filled in, whatever is not valid UNKNOWN."""

    def __init__(self, table: Mapping[str, Any]) -> None:
        self._table = table

    def get(self, key: str) -> Any:
        """The value of a dotted key, or UNKNOWN."""
        here: Any = self._table
        for part in key.split("."):
            here = here.get(part, UNKNOWN) if isinstance(here, Mapping) else UNKNOWN
        return here

    def known(self, *keys: str) -> list[Any]:
        """The values of all these dotted keys, or an empty list if one is not known as a whole."""
        values = [self.get(key) for key in keys]
        return [] if any(map(_doubtful, values)) else values

    def lacks(self, key: str, name: str) -> bool:
        """True if the table at a dotted key is known to have no such entry."""
        here = self.get(key)
        return isinstance(here, Mapping) and not isinstance(here, Partial) and name not in here

    def tables(self, key: str) -> list[str]:
        """The names of the tables below a dotted key, in the order of the file."""
        here = self.get(key)
        return list(here) if isinstance(here, Mapping) else []


Check = Callable[[View], Iterator[Crossed]]


class Part(BaseModel):
    """A table of a file: unknown keys are errors, numbers must be finite.

    The checks run here once all fields are valid; the reader of files runs them in any case.
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, strict=True, validate_default=True
    )
    checks: ClassVar[tuple[Check, ...]] = ()

    @model_validator(mode="after")
    def _not_crossed(self) -> Self:
        view = View(self.model_dump(mode="json") if self.checks else {})
        found = [crossed for check in self.checks for crossed in check(view)]
        if found:
            words = "; ".join(f"{crossed.keys[0]}: {crossed.words}" for crossed in found)
            raise PydanticCustomError("crossed", "{words}", {"words": words})
        return self
