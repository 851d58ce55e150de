"""The driver's inputs over pins: enable, and a hand on the lever of either end.

The safe side is taken at once, the other only after the pin has been steady: enable drops with the
first look that finds it open, a hand counts with the first look that finds it there.
"""

from __future__ import annotations

import importlib
import math
import warnings
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, Protocol

from drivers.errors import DeviceError
from drivers.samples import DriverSample, Validity

FIRST, LAST = 2, 27  # pins of the 40-pin header by their GPIO number
STEADY_S = 0.03  # s that a contact must be steady: longer than it bounces (common practice)
RETRY_S = 0.25  # s between two tries to open the pins
NO_LIBRARY = "pins of the header need gpiozero and lgpio: pip install 'linehold[pi]'"
SENSINGS = ("lever", "pressure", "buttons")
Sensing = Literal["lever", "pressure", "buttons"]


class Pin(Protocol):
    """One input: true while its contact says yes, whatever level that is. May raise OSError."""

    def read(self) -> bool: ...

    def close(self) -> None: ...


class OutputPin(Protocol):
    """One output. May raise OSError."""

    def set(self, high: bool) -> None: ...

    def close(self) -> None: ...


class GpioInput:
    """An input of the 40-pin header through gpiozero, which is loaded only here.

    closed_is_low: the contact pulls the pin to ground, against a pull-up (else to 3.3 V).
    """

    def __init__(self, number: int, closed_is_low: bool = True, factory: Any = None) -> None:
        self._number = number
        self.device = gpio(
            "DigitalInputDevice", number, pull_up=closed_is_low, pin_factory=factory
        )  # fmt: skip

    def read(self) -> bool:
        try:
            return bool(self.device.value)
        except Exception as error:  # gpiozero's own tree, and whatever its pin library raises
            raise DeviceError(f"GPIO {self._number} cannot be read ({_why(error)})") from error

    def close(self) -> None:
        self.device.close()


class OpenWithHand:
    """An input whose contact is closed at rest: open, or a broken wire, is a hand."""

    def __init__(self, pin: Pin) -> None:
        self._pin = pin

    def read(self) -> bool:
        return not self._pin.read()

    def close(self) -> None:
        self._pin.close()


class GpioOutput:
    """An output of the 40-pin header through gpiozero; low until told otherwise."""

    def __init__(self, number: int, factory: Any = None) -> None:
        self._number = number
        self.device = gpio(
            "DigitalOutputDevice", number, initial_value=False, pin_factory=factory
        )  # fmt: skip

    def set(self, high: bool) -> None:
        try:
            self.device.value = high
        except Exception as error:  # as above
            raise DeviceError(f"GPIO {self._number} cannot be set ({_why(error)})") from error

    def close(self) -> None:
        self.device.close()


def gpio(kind: str, number: int, **settings: Any) -> Any:
    """A device of gpiozero on a pin. Fails with DeviceError."""
    if not FIRST <= number <= LAST:
        raise DeviceError(f"GPIO {number} is no pin of the header; {FIRST} to {LAST} are")
    try:
        gpiozero = importlib.import_module("gpiozero")
    except ImportError as error:
        raise DeviceError(NO_LIBRARY) from error
    try:
        with warnings.catch_warnings(record=True) as fallbacks:  # told in our sentence instead
            warnings.simplefilter("always")
            return getattr(gpiozero, kind)(number, **settings)
    except Exception as error:  # gpiozero's own tree, and whatever its pin library raises
        if isinstance(error, ImportError) and not _there("lgpio"):  # as its BadPinFactory is
            raise DeviceError(f"{NO_LIBRARY} (lgpio is not there)") from error
        first = f"; {fallbacks[0].message}" if fallbacks else ""
        raise DeviceError(f"GPIO {number} cannot be opened ({_why(error)}{first})") from error


class Debounced:
    """A pin that goes to its safe side at once and leaves it after `steady_s` without a change."""

    def __init__(self, safe: bool, steady_s: float = STEADY_S) -> None:
        self._safe, self._steady_s = safe, steady_s
        self.reset()

    def reset(self) -> None:
        """To the safe side."""
        self.value = self._safe
        self._since_s: float | None = None

    def update(self, now_s: float, raw: bool) -> bool:
        """What counts now."""
        if raw == self._safe:
            self.reset()
        elif self._since_s is None:
            self._since_s = now_s
        elif now_s - self._since_s >= self._steady_s:
            self.value = raw
        return self.value


class PinInputs:
    """Enable and both hands, one sample a read, behind protocols.DriverInputs.

    pins: "enable", and for each end one or several of "left..." and "right..." ("left_raise",
    "left_lower"); a pin named "hand..." counts for both ends. Any of them says that a hand is on.
    sensing says what they are: a switch on the lever, a pressure switch, or buttons. None: nothing
    senses a hand, no hand is ever told, and the automatic must be off before a lever is moved.
    """

    def __init__(
        self,
        name: str,
        open_pins: Mapping[str, Callable[[], Pin]],
        sensing: Sensing | None,
        steady_s: float = STEADY_S,
    ) -> None:
        if sensing is not None and sensing not in SENSINGS:
            raise DeviceError(
                f'"{sensing}" senses no hand; lever, pressure or buttons do. Without one of them '
                "switch the automatic off before using the lever"
            )
        self._check_names(open_pins, sensing)
        self.name, self.sensing = name, sensing
        self.counts: Counter[str] = Counter()
        self.trouble: str | None = None
        self._open_pins = dict(open_pins)
        self._held = {
            pin: Debounced(safe=pin != "enable", steady_s=steady_s) for pin in open_pins
        }  # fmt: skip
        self._pins: dict[str, Pin] = {}
        self._retry_s = -math.inf
        self._open()

    def _check_names(self, pins: Mapping[str, object], sensing: Sensing | None) -> None:
        if "enable" not in pins:
            raise DeviceError("the driver's inputs need a pin for enable; name one")
        for end in ("left", "right") if sensing else ():
            if not any(pin.startswith((end, "hand")) for pin in pins):
                raise DeviceError(
                    f"no pin senses a hand on the {end} lever; name one, or hand for both"
                )
        for pin in pins:
            if pin != "enable" and not pin.startswith(("left", "right", "hand")):
                raise DeviceError(f'"{pin}" is no input; enable, left..., right..., hand... are')

    def read(self, now_s: float) -> Sequence[DriverSample]:
        """One sample; none while the pins cannot be read."""
        try:
            if not self._pins:
                if now_s < self._retry_s:
                    return []
                self._open()
            raw = {name: pin.read() for name, pin in self._pins.items()}
        except OSError as error:
            self.counts["failed"] += 1
            self.trouble = f"{self.name}: {error}"
            self._drop()
            self._retry_s = now_s + RETRY_S
            return []
        self.trouble = None
        held = {name: self._held[name].update(now_s, value) for name, value in raw.items()}
        left, right = (
            any(on for name, on in held.items() if name.startswith((end, "hand")))
            for end in ("left", "right")
        )
        return [DriverSample(self.name, now_s, Validity.OK, held["enable"], left, right)]

    def close(self) -> None:
        """Let go of the pins."""
        self._drop()
        self._retry_s = math.inf

    def _open(self) -> None:
        try:
            for name, opened in self._open_pins.items():
                self._pins[name] = opened()
        except OSError:
            self._drop()
            raise

    def _drop(self) -> None:
        pins, self._pins = self._pins, {}
        for debounced in self._held.values():
            debounced.reset()
        for pin in pins.values():
            try:
                pin.close()
            except OSError:
                self.counts["close"] += 1


def _there(module: str) -> bool:
    try:
        importlib.import_module(module)
    except ImportError:
        return False
    return True


def _why(error: Exception) -> str:
    return str(error) or type(error).__name__
