"""What native.py makes of a module before mypyc sees it: the same module, its names at hand."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
MODULE = '''"""A module."""

from __future__ import annotations

from typing import TypeVar

import msgspec

from firmware_py.messages import LEFT, Side
from firmware_py.settings import MM

WAY = 2.0  # m
STEPS: int = 3
NEAR, FAR = 0.1, 4.0
PAIR = (1.0, 2.0)
T = TypeVar("T")
seen = 0
first, last = 1, 2


class Pose(msgspec.Struct, frozen=True, gc=False):
    """Where it is."""

    x: float
    side: Side = LEFT
    notes: set[str] = set()

    @property
    def far(self) -> bool:
        return self.x > FAR


class Sight(msgspec.Struct, frozen=True):
    """Stands in a state."""

    x: float


class Sent(msgspec.Struct, array_like=True):
    """Goes over a wire."""

    x: float


def total(values: list[float], weights: list[float]) -> float:
    """A sum, with a comment that stays."""
    out = 0.0
    for value, weight in zip(values, weights, strict=True):
        out += value * weight * WAY * MM  # type: ignore[operator]
    return out
'''


@pytest.fixture
def source(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(ROOT / ".ci")
    return importlib.import_module("native_source")


def run(text: str) -> dict[str, Any]:
    module = ModuleType("made")
    sys.modules["made"] = module
    exec(compile(text, "made", "exec"), vars(module))
    return vars(module)


def test_constants_are_final_and_nothing_else_is(source: ModuleType) -> None:
    made = source.remade(MODULE, lambda name: False)
    for line in (
        "WAY: Final = 2.0", "STEPS: Final[int] = 3", "NEAR: Final = 0.1", "FAR: Final = 4.0",
        "LEFT: Final = _of_LEFT", "MM: Final = _of_MM",
    ):  # fmt: skip
        assert f"\n{line}\n" in made
    for line in ("PAIR = (1.0, 2.0)", 'T = TypeVar("T")', "seen = 0", "first, last = 1, 2"):
        assert f"\n{line}\n" in made
    assert "# type: ignore[operator]" in made  # mypyc refuses what mypy refuses


def test_names_of_a_module_that_is_compiled_too_are_at_hand_already(source: ModuleType) -> None:
    made = source.remade(MODULE, "firmware_py.settings".__eq__)
    assert "from firmware_py.settings import MM\n" in made
    assert "LEFT: Final" in made


def test_own_records_are_plain_classes_and_stored_ones_stay(source: ModuleType) -> None:
    before, after = run(MODULE), run(source.remade(MODULE, lambda name: False))
    fields = lambda kind: getattr(kind, "__struct_fields__", None)  # noqa: E731
    assert fields(before["Pose"]) == ("x", "side", "notes")
    assert fields(after["Pose"]) is None
    for name in ("Sight", "Sent"):
        assert fields(after[name]) == ("x",)
    for made in (before["Pose"], after["Pose"]):
        one, other = made(5.0), made(3.0, side="left", notes={"a"})
        assert (one.x, one.far, one.notes, other.far, other.notes) == (
            5.0,
            True,
            set(),
            False,
            {"a"},
        )
        assert made(1.0).notes is not made(1.0).notes
        assert made.__doc__ == "Where it is."


def test_what_it_computes_is_the_same(source: ModuleType) -> None:
    before, after = run(MODULE), run(source.remade(MODULE, lambda name: False))
    values = [0.1, 0.7, 3.0], [2.0, 1e-3, 5.0]
    assert before["total"](*values) == after["total"](*values)


def test_a_walk_of_a_zip_is_one_that_mypyc_knows(source: ModuleType) -> None:
    made = source.remade(MODULE, lambda name: False)
    assert "    for value, weight in zip(values, weights):\n" in made
