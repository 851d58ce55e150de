"""Air temperature: a typed number, and a one-wire thermometer's file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.air import EVERY_S, LOOK_S, FixedAir, W1Air
from drivers.errors import DeviceError
from drivers.protocols import AirThermometer
from drivers.samples import Validity


class Background:
    """Keeps what is to be done beside the loop, and does it when told."""

    def __init__(self) -> None:
        self.acts: list[tuple[Callable[[], None], float]] = []
        self.stopped = 0

    def __call__(self, act: Callable[[], None], every_s: float) -> Callable[[], None]:
        self.acts.append((act, every_s))
        return self._stop

    def _stop(self) -> None:
        self.stopped += 1

    def go(self) -> None:
        for act, _ in self.acts:
            act()


def test_a_typed_number_is_told_twice_a_second() -> None:
    air = FixedAir("air", 12.5)
    assert isinstance(air, AirThermometer)
    found = [one for n in range(301) for one in air.read(5.0 + 0.01 * n)]
    assert len(found) == 1 + round(3.0 / EVERY_S)
    assert {(one.temperature_c, one.validity) for one in found} == {(12.5, Validity.OK)}


def test_the_kernels_number_is_thousandths(tmp_path: Path) -> None:
    """Linux, Documentation/w1/slaves/w1_therm: `temperature` is in thousandths of a degree."""
    file, background = tmp_path / "temperature", Background()
    file.write_text("21437\n")
    air = W1Air("air", file, background)
    assert isinstance(air, AirThermometer)
    assert background.acts[0][1] == LOOK_S
    assert [one.temperature_c for one in air.read(1.0)] == [21.437]
    assert list(air.read(1.01)) == []  # each reading is told once
    file.write_text("-3125\n")
    background.go()
    assert [one.temperature_c for one in air.read(3.0)] == [-3.125]
    air.close()
    assert background.stopped == 1


def test_what_a_thermometer_reads_before_its_first_conversion_is_none(tmp_path: Path) -> None:
    """DS18B20 datasheet, figure "Memory map": 85 C at power-on."""
    file, background = tmp_path / "temperature", Background()
    file.write_text("85000\n")
    air = W1Air("air", file, background)
    assert list(air.read(1.0)) == []
    assert air.counts["power_on"] == 1


@pytest.mark.parametrize("text", ["", "warm", None])
def test_a_file_without_a_number_is_one_sentence(tmp_path: Path, text: str | None) -> None:
    file = tmp_path / "temperature"
    if text is not None:
        file.write_text(text)
    with pytest.raises(DeviceError, match="gives no temperature"):
        W1Air("air", file, Background())


def test_a_thermometer_that_goes_and_comes_back(tmp_path: Path) -> None:
    file, background = tmp_path / "temperature", Background()
    file.write_text("20000\n")
    air = W1Air("air", file, background)
    air.read(0.0)
    file.unlink()
    background.go()
    assert list(air.read(2.0)) == []
    assert air.trouble is not None
    file.write_text("19000\n")
    background.go()
    assert [one.temperature_c for one in air.read(4.0)] == [19.0]
    assert air.trouble is None


@pytest.mark.parametrize(
    ("text", "celsius"),
    # DS18B20 datasheet, table "Temperature/Data Relationship", as the kernel gives it, 1/1000 C
    [("125000\n", 125.0), ("25062\n", 25.062), ("-10125\n", -10.125), ("-55000\n", -55.0)],
)
def test_worked_values_of_the_datasheet(tmp_path: Path, text: str, celsius: float) -> None:
    file = tmp_path / "temperature"
    file.write_text(text)
    (sample,) = W1Air("air", file, Background()).read(10.0)
    assert (sample.temperature_c, sample.time_s) == (celsius, 10.0)
    assert sample.validity is Validity.OK
