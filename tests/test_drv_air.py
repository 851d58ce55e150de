"""Thermometers: a typed-in number, and the kernel's file of a one-wire one that comes and goes."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.air import EVERY_S, FixedAir, W1Air
from drivers.errors import DeviceError
from drivers.protocols import AirThermometer
from drivers.samples import Validity


def opened(path: Path) -> W1Air:
    return W1Air("air", path, thread=False)


@pytest.mark.parametrize(
    ("text", "celsius"),
    # DS18B20 datasheet, table "Temperature/Data Relationship", as the kernel gives it, 1/1000 C
    [("125000\n", 125.0), ("25062\n", 25.062), ("-10125\n", -10.125), ("-55000\n", -55.0)],
)
def test_worked_values_of_the_datasheet(tmp_path: Path, text: str, celsius: float) -> None:
    file = tmp_path / "temperature"
    file.write_text(text)
    air = opened(file)
    assert isinstance(air, AirThermometer)
    (sample,) = air.read(10.0)
    assert (sample.temperature_c, sample.time_s) == (celsius, 10.0)
    assert sample.validity is Validity.OK
    assert air.read(10.1) == []  # once


def test_what_it_reads_before_its_first_conversion_is_no_temperature(tmp_path: Path) -> None:
    """85 C is the power-on value of the DS18B20."""
    file = tmp_path / "temperature"
    file.write_text("85000\n")
    air = opened(file)
    assert air.read(1.0) == []
    assert air.counts["power_on"] == 1


@pytest.mark.parametrize("text", ["", "12", "1x", "nan", "\xff"])
def test_short_or_foreign_content_is_told_or_read_as_it_stands(tmp_path: Path, text: str) -> None:
    file = tmp_path / "temperature"
    file.write_bytes(text.encode("latin-1"))
    if text == "12":  # a short read is a number all the same: intake judges it
        assert opened(file).read(0.0)[0].temperature_c == 0.012
        return
    with pytest.raises(DeviceError, match="gives no temperature"):
        opened(file)


def test_not_there_unplugged_and_plugged_in_again(tmp_path: Path) -> None:
    file = tmp_path / "temperature"
    with pytest.raises(DeviceError, match="look at the thermometer's wires"):
        opened(file)
    file.write_text("20000\n")
    air = opened(file)
    file.unlink()
    air.look()
    assert air.trouble is not None
    assert "look at the thermometer's wires" in air.trouble
    air.read(1.0)
    assert air.read(2.0) == []
    file.write_text("21000\n")
    air.look()
    assert air.trouble is None
    assert air.read(3.0)[0].temperature_c == 21.0
    assert air.counts == {"read": 2, "failed": 1}


def test_a_typed_in_temperature_comes_twice_a_second() -> None:
    air = FixedAir("air", 18.5)
    assert [s.temperature_c for s in air.read(0.0)] == [18.5]
    assert air.read(0.5 * EVERY_S) == []
    assert len(air.read(EVERY_S)) == 1
