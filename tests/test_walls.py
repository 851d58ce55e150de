"""The walls between the floors hold: by the source, and in a running interpreter."""

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

CONTROLLER = tuple(
    f"firmware_py.{part}"
    for part in ("controller", "guard", "act", "guide", "fuse", "sense", "messages")
)
SCREEN = {"textual", "tui"}
# Installed for tests and lint only: a runtime install must do without them.
NOT_AT_RUNTIME = {
    "_pytest",
    "control",
    "filterpy",
    "hypothesis",
    "imufusion",
    "pytest",
    "scipy",
    "tests",
    "vqf",
}

# Loads every module of a floor but its __main__, which would start the program, and what only
# MicroPython can load.
LOAD_FLOOR = """
import importlib, json, pkgutil, sys
def elsewhere(name):
    board = name.startswith("drivers.board.") and name != "drivers.board.codec"
    return board or name.startswith("drivers.standins.machine") or name.endswith(".__main__")
for name in sys.argv[1:]:
    floor = importlib.import_module(name)
    for module in pkgutil.walk_packages(getattr(floor, "__path__", []), name + "."):
        if not elsewhere(module.name):
            importlib.import_module(module.name)
print(json.dumps(sorted(sys.modules)))
"""


def loaded_by(*floor: str) -> set[str]:
    """Names of all modules in a fresh interpreter that loaded the floor."""
    # Coverage's hook for child processes would bring modules of its own along.
    environ = {k: v for k, v in os.environ.items() if not k.startswith("COV")}
    done = subprocess.run(
        [sys.executable, "-c", LOAD_FLOOR, *floor],
        cwd=ROOT,
        env=environ,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    # What a module prints while it loads comes before the list.
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize(
    ("floor", "must_not_load"),
    [
        pytest.param(("drivers",), SCREEN | {"firmware_py", "matplotlib"}, id="drivers"),
        pytest.param(
            CONTROLLER,
            SCREEN
            | {
                "drivers.simulated",
                "firmware_py.journal",
                "firmware_py.loop",
                "firmware_py.trial",
                "matplotlib",
                "mcap",
            },
            id="controller",
        ),
        pytest.param(("firmware_py",), SCREEN, id="firmware_py"),
        pytest.param(("tui",), set(), id="tui"),
    ],
)
def test_floor_loads_nothing_from_beyond_its_walls(
    floor: tuple[str, ...], must_not_load: set[str]
) -> None:
    loaded = loaded_by(*floor)
    assert set(floor) <= loaded
    assert loaded & (must_not_load | NOT_AT_RUNTIME) == set()


def test_the_probe_sees_what_is_loaded() -> None:
    """Without this, a blind probe would let every floor pass."""
    assert {"tui.app", "firmware_py.messages", "drivers.samples", "msgspec"} <= loaded_by("tui")


def test_import_contracts_are_kept() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    # Every contract was read, and none was passed over.
    assert f"Contracts: {len(contracts)} kept, 0 broken." in done.stdout
