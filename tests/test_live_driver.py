"""The simulated driver of a live run: begins when somebody has read the cautions, or by itself."""

from __future__ import annotations

from pathlib import Path

import pytest
from tui_made import tick

from drivers.simulated.wire import PersonBegins, PersonDrives
from firmware_py.live.cautions import READ_S
from firmware_py.live.operator import SEARCH_S
from firmware_py.live.rig_process import Driver
from firmware_py.live.simulated import simulated
from firmware_py.settings_file import find_rig, load_rig

LONG_S = READ_S + SEARCH_S + 1.0  # without a reference for so long it gives up: it has begun


def made(tmp_path: Path, *, waits: bool, drives_itself: bool = True) -> Driver:
    rig = simulated(load_rig(find_rig("reference")))
    return Driver(rig, tmp_path / "no.sock", drives_itself, waits)


def looks(driver: Driver, start: float) -> bool:
    """Whether it acts on what it sees: screens on which no reference ever comes into view."""
    for step in range(int(LONG_S)):
        driver._see(tick(start + step, bars=()))
    return bool(driver._operator.failed)


def test_it_waits_for_the_cautions_to_be_read(tmp_path: Path) -> None:
    driver = made(tmp_path, waits=True)
    assert not looks(driver, 0.0)
    assert not driver._person.enabled
    driver.asked(PersonBegins())
    assert looks(driver, 100.0)


def test_it_begins_alone_where_there_is_no_dashboard(tmp_path: Path) -> None:
    assert looks(made(tmp_path, waits=False), 0.0)


@pytest.mark.parametrize("drives_itself", [True, False])
def test_reading_the_cautions_takes_the_machine_from_nobody(
    tmp_path: Path, drives_itself: bool
) -> None:
    """Another dashboard whose cautions are read later: whoever drives by hand goes on."""
    driver = made(tmp_path, waits=True, drives_itself=drives_itself)
    driver.asked(PersonDrives(0.5))
    driver.asked(PersonBegins())
    assert not looks(driver, 0.0)
