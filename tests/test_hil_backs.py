"""The hil tests themselves: a run on hardware that ran nothing fails, and so does a wrong name."""

from __future__ import annotations

import fnmatch
import re
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.samples import InertialSample
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.inertial_chips import Mpu6050Chip
from drivers.wires import Wires
from firmware_py.settings_file import find_rig
from hil_tests.bench import Virtual, by_hand
from hil_tests.hardware import benches

TESTED = "docs/devices-tested.md"
ROOT = Path(__file__).resolve().parent.parent
REAL = """
[inertial]
kind = "mpu6050"
device = "imu"
bus = "/dev/i2c-1"
"""


def hil(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-q", "hil_tests", "-p", "no:cacheprovider", *words]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )


def test_a_hardware_run_that_ran_nothing_fails() -> None:
    """Every device of the bundled rig is simulated: nothing of it is hardware."""
    done = hil("--rig", str(find_rig("reference")))
    assert done.returncode == 1
    assert "FAILED: no test passed on the named back hardware" in done.stdout
    assert "hardware: no bar there" in done.stdout
    assert done.stdout.rstrip().splitlines()[-1].split()[1] == "skipped"


def test_a_rig_that_is_not_there_is_told_in_a_sentence() -> None:
    done = hil("--rig", "nowhere.toml")
    assert done.returncode == 4
    assert "--rig nowhere.toml: " in done.stderr
    assert "Traceback" not in done.stderr


def test_a_real_device_of_a_rig_file_is_opened_on_its_bench(tmp_path: Path) -> None:
    """By the very code of --rig, with a chip on a stand-in bus where the wire would be."""
    plain = find_rig("reference").read_text()
    before, _, rest = plain.partition("[inertial]")
    table, mark, after = rest.partition("\n[")
    kept = [line for line in table.splitlines() if line.split("=")[0].strip() not in
            {"kind", "device", "bus"}]  # fmt: skip
    file = tmp_path / "bench.toml"
    file.write_text(before + REAL.strip() + "\n".join(kept) + mark + after)
    clock, wire = Virtual(), StandInBus()
    wire.attach(0x68, Mpu6050Chip(clock))
    wires = Wires(bus=lambda path: wire, clock=clock, wait=lambda seconds: None)
    found = benches(file, wires, clock)
    assert {kind: list(named) for kind, named in found.items() if named} == {
        "inertial": ["inertial"]
    }
    bench = found["inertial"]["inertial"]()
    assert bench.identity == "MPU-6050 at /dev/i2c-1 0x68"
    assert bench.period_s == pytest.approx(0.005)
    samples = bench.settle()
    assert isinstance(samples[-1], InertialSample)
    assert samples[-1].az == pytest.approx(9.80665, abs=0.01)
    bench.close()


def test_without_a_terminal_what_a_person_does_is_skipped_with_the_reason(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("hil_tests.bench.TERMINAL", tmp_path / "none")
    with pytest.raises(pytest.skip.Exception, match="nobody is at a terminal to unplug the bar"):
        by_hand("Unplug the bar")()


def test_the_page_of_tested_drivers_names_tests_that_exist() -> None:
    """Every name in its table is a test, and every cell has one or says why not."""
    text = "".join(file.read_text() for file in sorted((ROOT / "tests").glob("test_*.py")))
    known = set(re.findall(r"^def test_(\w+)", text, re.MULTILINE))
    page = (ROOT / TESTED).read_text()
    table = page[: page.index("Bus and port underneath")]
    rows = [row.split(" | ") for row in table.splitlines() if row.startswith("| ")][2:]
    assert len(rows) == 12
    for row in rows:
        assert len(row) == 7
        for cell in row[1:]:
            names = [n for n in re.findall(r"`([\w*]+)`", cell) if not n.endswith(".py")]
            assert names or "same" in cell or cell.strip().startswith("- ")
            for name in names:
                assert any(fnmatch.fnmatch(one, name) for one in known), name
