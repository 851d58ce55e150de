"""What `make native` compiles. That its ticks are the same, bit for bit, it shows itself."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from firmware_py import commands, controller
from firmware_py.journal.header import compiled, versions

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def native(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(ROOT / ".ci")
    return importlib.import_module("native")


def test_all_that_a_tick_runs_is_compiled(native: ModuleType) -> None:
    found = native.modules()
    assert all((ROOT / path).is_file() for path in found)
    for package in ("sense", "fuse", "guide", "act", "guard"):
        whole = {str(p.relative_to(ROOT)) for p in (ROOT / "firmware_py" / package).glob("*.py")}
        assert {p for p in whole if not p.endswith("__init__.py")} <= set(found)
    assert {"firmware_py/controller.py", "drivers/simulated/machine.py"} <= set(found)


def test_what_is_left_out_exists(native: ModuleType) -> None:
    assert all((ROOT / native.SIMULATOR / f"{name}.py").is_file() for name in native.ONCE)


def test_a_copy_takes_nothing_from_an_earlier_build(native: ModuleType, tmp_path: Path) -> None:
    stale = tmp_path / "firmware_py" / "controller.cpython-311-x86_64-linux-gnu.so"
    stale.parent.mkdir()
    stale.touch()
    native.copy(tmp_path)
    assert not stale.exists()
    assert (tmp_path / "firmware_py" / "controller.py").is_file()


def test_a_command_that_fails_ends_the_build(native: ModuleType) -> None:
    with pytest.raises(SystemExit, match="ended with"):
        native.run(Path("/bin/false"), "trial")


def test_the_launcher_runs_its_own_tree_wherever_it_is_called(
    native: ModuleType, tmp_path: Path
) -> None:
    script = tmp_path / "build" / "native" / "linehold"
    package = script.parent / "firmware_py" / "commands"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("def main(): print('of the copy')\n", encoding="utf-8")
    (package.parent / "__init__.py").touch()
    script.write_text(native.LAUNCHER, encoding="utf-8")
    (tmp_path / ".venv").symlink_to(sys.prefix)
    said = subprocess.run(["sh", script], cwd=ROOT, check=True, capture_output=True, text=True)
    assert said.stdout == "of the copy\n"


def test_a_log_says_whether_the_controller_was_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    assert not compiled()
    assert "compiled" not in versions()["linehold"]
    monkeypatch.setattr(controller, "__file__", "controller.cpython-311-x86_64-linux-gnu.so")
    assert versions()["linehold"].endswith("(compiled)")


@pytest.mark.parametrize(("given", "kept"), [(None, "1"), ("3", "3")])
def test_a_command_computes_in_one_thread_unless_told(
    given: str | None, kept: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", given or "")
    if given is None:
        monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    monkeypatch.setattr(sys, "argv", ["linehold", "--version"])
    with pytest.raises(SystemExit):
        commands.main()
    assert os.environ["OPENBLAS_NUM_THREADS"] == kept
