"""The driver's inputs over pins: debouncing to the safe side, both hands, unplugging, gpiozero."""

from __future__ import annotations

import functools
import importlib.util
import sys
import types
from collections.abc import Callable

import pytest

from drivers.errors import DeviceError
from drivers.inputs import (
    STEADY_S,
    Debounced,
    GpioInput,
    GpioOutput,
    Pin,
    PinInputs,
    Sensing,
)
from drivers.protocols import DriverInputs
from drivers.samples import DriverSample
from drivers.standins.pins import StandInPin

TICK = 0.01
NAMES = ("enable", "left", "right")


class Bench:
    """Switches and the driver that reads them."""

    def __init__(self, names: tuple[str, ...] = NAMES, sensing: Sensing = "lever") -> None:
        self.now = 0.0
        self.pins = {name: StandInPin(lambda: self.now) for name in names}
        opens: dict[str, Callable[[], Pin]] = {n: lambda n=n: self.pins[n] for n in names}  # type: ignore[misc]
        self.driver = PinInputs("driver", opens, sensing)

    def run(self, seconds: float) -> list[DriverSample]:
        out: list[DriverSample] = []
        for _ in range(round(seconds / TICK)):
            self.now += TICK
            out += self.driver.read(self.now)
        return out

    def last(self) -> tuple[bool, bool, bool]:
        """Enable and both hands, once everything has settled."""
        s = self.run(0.2)[-1]
        return s.enable, s.left_hand, s.right_hand


def test_each_switch_is_what_it_is_called() -> None:
    bench = Bench()
    assert isinstance(bench.driver, DriverInputs)
    assert bench.last() == (False, False, False)
    bench.pins["enable"].press(True)
    assert bench.last() == (True, False, False)
    bench.pins["left"].press(True)
    assert bench.last() == (True, True, False)
    bench.pins["left"].press(False)
    bench.pins["right"].press(True)
    assert bench.last() == (True, False, True)


def test_a_common_pressure_switch_counts_for_both_ends() -> None:
    bench = Bench(("enable", "hand"), "pressure")
    bench.pins["hand"].press(True)
    assert bench.last() == (False, True, True)


@pytest.mark.parametrize("button", ["left_raise", "left_lower"])
def test_any_button_of_an_end_is_a_hand(button: str) -> None:
    bench = Bench(("enable", "left_raise", "left_lower", "right_raise", "right_lower"), "buttons")
    bench.pins[button].press(True)
    assert bench.last() == (False, True, False)


def test_before_anything_is_known_nothing_is_enabled_and_hands_are_on() -> None:
    first = Bench().run(TICK)[0]
    assert (first.enable, first.left_hand, first.right_hand) == (False, True, True)


def test_enable_drops_at_once_and_comes_only_when_steady() -> None:
    bench = Bench()
    bench.pins["enable"].press(True, bounce_s=0.02)
    samples = bench.run(0.2)
    first = next(i for i, s in enumerate(samples) if s.enable)
    assert samples[first].time_s >= 0.02 + STEADY_S - TICK
    assert all(s.enable for s in samples[first:])
    bench.pins["enable"].press(False)
    assert not bench.run(TICK)[0].enable


def test_a_hand_counts_at_once_and_goes_only_when_steady() -> None:
    bench = Bench()
    bench.run(0.2)
    bench.pins["right"].press(True, bounce_s=0.0)
    assert bench.run(TICK)[0].right_hand
    let_go = bench.now
    bench.pins["right"].press(False, bounce_s=0.02)
    samples = bench.run(0.3)
    off = next(s for s in samples if not s.right_hand)
    assert off.time_s - let_go >= STEADY_S
    assert not any(s.right_hand for s in samples if s.time_s > off.time_s)


@pytest.mark.parametrize(("ms", "held"), [(29.9, False), (30.1, True)])
def test_debouncing_on_both_sides_of_its_time(ms: float, held: bool) -> None:
    enable = Debounced(safe=False)
    assert not enable.update(0.0, True)
    assert enable.update(ms * 1e-3, True) is held


def test_one_look_at_the_safe_side_starts_the_time_anew() -> None:
    enable = Debounced(safe=False)
    enable.update(0.0, True)
    assert not enable.update(0.02, False)
    enable.update(0.021, True)
    assert not enable.update(0.04, True)
    assert enable.update(0.052, True)


def test_unplugged_it_is_silent_and_comes_back_on_the_safe_side() -> None:
    bench = Bench()
    bench.pins["enable"].press(True)
    assert bench.last()[0]
    bench.pins["left"].plugged = False
    assert bench.run(1.0) == []
    assert bench.driver.trouble == "driver: the pin is gone"
    assert bench.driver.counts["failed"] <= 5
    bench.pins["left"].plugged = True
    samples = bench.run(1.0)
    assert not samples[0].enable
    assert samples[0].left_hand
    assert samples[-1].enable
    assert bench.driver.trouble is None


@pytest.mark.parametrize(
    ("names", "sensing", "words"),
    [
        (("left", "right"), "lever", "need a pin for enable"),
        (("enable", "left"), "lever", "no pin senses a hand on the right lever"),
        (("enable", "hand", "horn"), "lever", '"horn" is no input'),
        (NAMES, "none", "switch the automatic off before using the lever"),
    ],
)
def test_inputs_that_miss_something_are_refused(
    names: tuple[str, ...], sensing: Sensing, words: str
) -> None:
    with pytest.raises(DeviceError, match=words):
        Bench(names, sensing)


def test_a_pin_that_cannot_be_opened_lets_go_of_the_others() -> None:
    good = StandInPin(lambda: 0.0)

    def bad() -> Pin:
        raise DeviceError("GPIO 4 cannot be opened (busy)")

    with pytest.raises(DeviceError, match="GPIO 4 cannot be opened"):
        PinInputs("driver", {"enable": lambda: good, "hand": bad}, "lever")
    assert good.closed == 1


def test_pins_beyond_the_header_are_refused() -> None:
    for kind in (GpioInput, GpioOutput):
        with pytest.raises(DeviceError, match="GPIO 28 is no pin of the header; 2 to 27 are"):
            kind(28)


class Zero(types.ModuleType):
    """gpiozero as it is where none of its pin libraries loads: its BadPinFactory is an
    ImportError (gpiozero 2.0, exc.py)."""

    @staticmethod
    def DigitalInputDevice(number: int, **settings: object) -> None:  # noqa: N802  its own name
        raise ImportError("Unable to load any default pin factory!")


def test_what_to_install_is_told_without_gpiozero_and_without_lgpio_alike(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)
    for there in (None, Zero("gpiozero")):
        monkeypatch.setitem(sys.modules, "gpiozero", there)
        with pytest.raises(DeviceError) as found:
            GpioInput(17)
        assert "install 'linehold[pi]'" in str(found.value)
    monkeypatch.setitem(sys.modules, "lgpio", types.ModuleType("lgpio"))
    with pytest.raises(DeviceError, match=r"GPIO 17 cannot be opened \(Unable to load"):
        GpioInput(17)


gpiozero_there = pytest.mark.skipif(
    importlib.util.find_spec("gpiozero") is None, reason="gpiozero (extra pi) is not installed"
)


@gpiozero_there
@pytest.mark.parametrize("closed_is_low", [True, False])
def test_gpiozero_inputs_on_its_mock_pins(closed_is_low: bool) -> None:
    from gpiozero.pins.mock import MockFactory

    factory = MockFactory()
    pin = GpioInput(17, closed_is_low, factory)
    wire = factory.pin(17)
    assert wire.pull == ("up" if closed_is_low else "down")
    assert not pin.read()  # an open contact, or a broken wire
    wire.drive_low() if closed_is_low else wire.drive_high()
    assert pin.read()
    pin.close()
    with pytest.raises(DeviceError, match="GPIO 17 cannot be read"):
        pin.read()


@gpiozero_there
def test_gpiozero_output_on_its_mock_pin_and_a_pin_that_is_taken() -> None:
    from gpiozero.pins.mock import MockFactory

    factory = MockFactory()
    pin = GpioOutput(22, factory)
    wire = factory.pin(22)
    assert not wire.state
    pin.set(True)
    assert wire.state
    with pytest.raises(DeviceError, match="GPIO 22 cannot be opened"):
        GpioInput(22, True, factory)
    pin.close()
    with pytest.raises(DeviceError, match="GPIO 22 cannot be set"):
        pin.set(False)


@gpiozero_there
def test_gpiozero_inputs_as_the_drivers_inputs() -> None:
    from gpiozero.pins.mock import MockFactory

    factory = MockFactory()
    numbers = {"enable": 5, "hand": 6}
    opens = {n: functools.partial(GpioInput, k, True, factory) for n, k in numbers.items()}
    driver = PinInputs("driver", opens, "lever")
    factory.pin(5).drive_low()
    for i in range(10):
        samples = driver.read(i * TICK)
    assert (samples[0].enable, samples[0].left_hand) == (True, False)
    factory.pin(6).drive_low()
    assert driver.read(0.2)[0].right_hand
    driver.close()
    assert driver.read(1.0) == []
