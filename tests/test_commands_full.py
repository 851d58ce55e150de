"""Words that nobody can take: a full disk behind `--help`, a reader that has gone."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FULL = Path("/dev/full")
LINEHOLD = [sys.executable, "-m", "firmware_py"]


@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("words", [["--help"], ["faults"]])
def test_a_full_disk_behind_the_output_is_one_sentence(words: list[str]) -> None:
    with FULL.open("w") as full:
        done = subprocess.run([*LINEHOLD, *words], cwd=ROOT, stdout=full, stderr=subprocess.PIPE,
                              text=True, check=False)  # fmt: skip
    assert done.returncode == 2
    assert "No space left on device" in done.stderr
    assert len(done.stderr.splitlines()) == 1, done.stderr


@pytest.mark.parametrize("words", [["--help"], ["faults", "--json"], ["sag", "--span-m", "6"]])
def test_a_reader_that_has_gone_is_told_nothing(words: list[str]) -> None:
    """As `linehold report ... | head`: no traceback, no sentence."""
    with subprocess.Popen([*LINEHOLD, *words], cwd=ROOT, stdout=subprocess.PIPE,
                          stderr=subprocess.PIPE, text=True) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(60) == 1
