"""Ignition off: neutral, recording closed, run ended with a code of its own, computer off."""

from __future__ import annotations

import dataclasses
import importlib.util
import math
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivers.errors import DeviceError
from drivers.inputs import GpioInput
from firmware_py.commands import cli
from firmware_py.commands.service import PARTS, text_of
from firmware_py.journal.read import Recorded, read_log
from firmware_py.live import session
from firmware_py.live.ignition import BACK, PATIENCE_S, STEADY_S, UNSEEN, UNSEEN_S, Due, Ignition
from firmware_py.live.report import IGNITION
from firmware_py.messages import Disengage, Mode
from firmware_py.settings import Ignition as Table
from firmware_py.settings_file import find_rig, load_rig

OFF_S = 3.0


class Wire:
    """A pin whose level a test sets; `gone`: it cannot be read."""

    def __init__(self, on: bool = True) -> None:
        self.on, self.gone, self.closed = on, False, False

    def read(self) -> bool:
        if self.gone:
            raise DeviceError("GPIO 24 cannot be read (it went)")
        return self.on

    def close(self) -> None:
        self.closed = True


def looks(ignition: Ignition, start_s: float, end_s: float) -> list[tuple[float, Due]]:
    """Each tenth of a second, as the keeper looks; what was due."""
    times = [start_s + n / 10 for n in range(round((end_s - start_s) * 10) + 1)]
    return [(t, ignition.look(t)) for t in times]


def test_off_is_neutral_at_once_and_the_end_after_its_time() -> None:
    wire = Wire()
    ignition = Ignition(wire, OFF_S)
    assert {due for _, due in looks(ignition, 0.0, 5.0)} == {Due.NOTHING}
    wire.on = False
    found = looks(ignition, 10.0, 13.5)
    assert next(t for t, due in found if due is Due.NEUTRAL) == pytest.approx(10.2)
    assert next(t for t, due in found if due is Due.END) == pytest.approx(10.0 + OFF_S)
    assert ignition.ended
    assert not ignition.overdue
    assert ignition.look(10.0 + OFF_S + PATIENCE_S) is Due.END
    assert ignition.overdue  # then it is made to end
    ignition.close()
    assert wire.closed


def test_a_dip_while_the_engine_starts_ends_nothing() -> None:
    wire = Wire()
    ignition = Ignition(wire, OFF_S)
    ignition.look(0.0)
    for start in (1.0, 5.0):
        wire.on = False
        assert Due.END not in {due for _, due in looks(ignition, start, start + OFF_S - 0.1)}
        assert ignition.look(start + 2.0) is Due.NEUTRAL
        wire.on = True
        assert ignition.look(start + OFF_S) is Due.NOTHING
        assert ignition.words == BACK
        assert ignition.look(start + OFF_S + 0.1) is Due.NOTHING
        assert ignition.words == ""
    assert not ignition.ended


def test_a_flicker_is_nothing() -> None:
    wire = Wire()
    ignition = Ignition(wire, OFF_S)
    ignition.look(0.0)
    wire.on = False
    assert ignition.look(0.1) is Due.NOTHING
    assert ignition.look(0.1 + STEADY_S * 0.9) is Due.NOTHING
    wire.on = True
    ignition.look(0.3)
    assert ignition.words == ""


def test_an_ignition_that_was_never_on_leaves_time_to_stop_the_service() -> None:
    ignition = Ignition(Wire(on=False), OFF_S)
    found = looks(ignition, 0.0, UNSEEN_S + 1.0)
    assert Due.NEUTRAL not in {due for _, due in found}
    assert next(t for t, due in found if due is Due.END) == pytest.approx(UNSEEN_S)


def test_each_thing_is_told_once() -> None:
    wire = Wire(on=False)
    ignition = Ignition(wire, OFF_S)
    told = []
    for tenth in range(60):
        wire.gone = 20 <= tenth < 40
        ignition.look(tenth / 10)
        told += [ignition.words] if ignition.words else []
    assert told[0] == UNSEEN
    assert told[1] == "The ignition's input cannot be read: GPIO 24 cannot be read (it went)"
    assert told[2:] == [UNSEEN]  # it can be read again, and is still off


def test_a_pin_that_cannot_be_read_ends_nothing() -> None:
    wire = Wire()
    ignition = Ignition(wire, OFF_S)
    ignition.look(0.0)
    wire.gone = True
    assert {due for _, due in looks(ignition, 1.0, 300.0)} == {Due.NOTHING}


@pytest.mark.skipif(
    importlib.util.find_spec("gpiozero") is None, reason="gpiozero (extra pi) is not installed"
)
def test_a_live_run_ends_neutral_and_stored_when_the_ignition_goes_off(tmp_path: Path) -> None:
    from gpiozero.pins.mock import MockFactory

    factory = MockFactory()
    pin = GpioInput(24, factory=factory)
    wire = factory.pin(24)
    wire.drive_low()  # the opto-coupler conducts: on
    path = find_rig("reference")
    rig = load_rig(path).model_copy(update={"ignition": Table(pin=24, off_s=1.0)})
    off_s = math.nan

    def key() -> None:
        """Turn the ignition off once the run has been recorded for a while."""
        nonlocal off_s
        until = time.monotonic() + 20.0
        while time.monotonic() < until:
            logs = list(tmp_path.glob("run-*.mcap"))
            if logs and logs[0].stat().st_size > 20_000:
                break
            time.sleep(0.02)
        time.sleep(1.0)
        off_s = time.monotonic()
        wire.drive_high()

    with tempfile.TemporaryDirectory(prefix="lh") as short:
        plan = session.Plan(
            rig=rig, rig_text=path.read_text(encoding="utf-8"), folder=tmp_path, headless=True,
            link=Path(short) / "s", for_s=40.0, ignition=pin,
        )  # fmt: skip
        hand = threading.Thread(target=key)
        hand.start()
        report = session.run(plan)
        hand.join()
    assert report.loop.words == "The loop ended: the ignition is off. Valves neutral."
    assert report.code == IGNITION
    assert report.problems == ()
    log = read_log(tmp_path / Path(report.recordings[0]).name)
    records = [entry.record for entry in log if isinstance(entry, Recorded)]
    assert log.lost == ()
    first = next(r for r in records if any(isinstance(q, Disengage) for q in r.requests))
    last = records[-1]
    assert first.time_s - off_s > 0.1  # a flicker is nothing
    assert first.time_s < last.time_s - 0.3  # neutral at once, well before the run ends
    assert 1.0 <= last.time_s - off_s < 3.0
    assert (last.tick.left.valve, last.tick.right.valve) == (0.0, 0.0)
    assert last.tick.mode is Mode.NEUTRAL
    assert report.loop.numbers["ticks"] == len(records)  # to the last one


@pytest.mark.parametrize("factory", [None, "nothere"])
def test_a_rig_with_an_ignition_needs_such_a_pin_here(tmp_path: Path, factory: str | None) -> None:
    if factory is None and Path("/dev/gpiochip0").exists():
        pytest.skip("this computer has pins")
    text = find_rig("reference").read_text(encoding="utf-8")
    rig = tmp_path / "rig.toml"
    rig.write_text(f"{text}\n[ignition]\npin = 24\n", encoding="utf-8")
    assert load_rig(rig).ignition == Table(pin=24, off_s=3.0)
    done = subprocess.run(
        [sys.executable, "-m", "firmware_py", "run", "--rig", str(rig), "--for", "1",
         "--log", str(tmp_path)], cwd=Path(__file__).parent.parent, capture_output=True, text=True,
        check=False, env=os.environ | ({"GPIOZERO_PIN_FACTORY": factory} if factory else {}),
    )  # fmt: skip
    assert done.returncode == 2
    [line] = done.stderr.splitlines()
    assert line.startswith(
        ("GPIO 24 cannot be opened", "pins of the header need gpiozero and lgpio")
    )
    assert not list(tmp_path.glob("*.mcap"))


@pytest.mark.parametrize("table", ["pin = 28", "pin = 24\noff_s = 0.1", "pin = 24\nx = 1"])
def test_a_wrong_table_is_refused(tmp_path: Path, table: str) -> None:
    text = find_rig("reference").read_text(encoding="utf-8")
    rig = tmp_path / "rig.toml"
    rig.write_text(f"{text}\n[ignition]\n{table}\n", encoding="utf-8")
    done = CliRunner().invoke(cli, ["check", "file", str(rig)])
    assert done.exit_code == 2
    assert "ignition" in done.output


@pytest.mark.parametrize(
    ("code", "status", "off"),
    [("exited", "3", True), ("exited", "0", False), ("exited", "1", False), ("killed", "3", False),
     ("", "", False)],
)  # fmt: skip
def test_the_computer_is_switched_off_after_that_code_alone(
    tmp_path: Path, code: str, status: str, off: bool
) -> None:
    """The script that systemd runs after every end, with EXIT_CODE and EXIT_STATUS as it sets them
    (systemd.exec(5))."""
    script, told = tmp_path / "after-run", tmp_path / "told"
    [part] = [part for part in PARTS if part.name == "after-run"]
    script.write_text(text_of(part), encoding="utf-8")
    for name in ("sync", "systemctl"):
        stand_in = tmp_path / name
        stand_in.write_text(f'#!/bin/sh\necho {name} "$@" >> {told}\n', encoding="utf-8")
        stand_in.chmod(0o755)
    path = f"{tmp_path}:{os.environ['PATH']}"
    more = {"PATH": path, "EXIT_CODE": code, "EXIT_STATUS": status}
    subprocess.run(["/bin/sh", str(script)], env=more if code else {"PATH": path}, check=True)
    assert told.exists() == off
    if off:
        assert told.read_text().splitlines() == ["sync", "systemctl --no-block poweroff"]


def test_a_rig_that_names_no_pin_opens_none() -> None:
    rig = load_rig(find_rig("reference"))
    assert rig.ignition.pin is None
    plan = session.Plan(rig=rig, rig_text="", folder=Path())
    assert session._ignition(plan) is None
    assert session._ignition(dataclasses.replace(plan, ignition=Wire())) is not None


def test_its_pin_has_no_other_use(tmp_path: Path) -> None:
    text = find_rig("reference").read_text(encoding="utf-8")
    driver = '[driver]\ndevice = "driver"\nkind = "gpio"\nenable_pin = 24\n'
    parts = re.split(r"(?=^\[)", text, flags=re.MULTILINE)
    rig = tmp_path / "rig.toml"
    rig.write_text(
        "".join(part for part in parts if not part.startswith("[driver]"))
        + f"\n{driver}\n[ignition]\npin = 24\n", encoding="utf-8",
    )  # fmt: skip
    done = CliRunner().invoke(cli, ["check", "file", str(rig)])
    assert done.exit_code == 2
    assert "ignition.pin: 24 is taken by driver.enable_pin as well" in done.output
