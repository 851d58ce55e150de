"""Air temperature: what somebody typed, or a one-wire thermometer that the kernel reads.

The kernel's read of a one-wire thermometer waits for its conversion, up to 0.75 s: a thread of its
own does it, which sleeps or waits in the kernel and costs the loop nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.errors import DeviceError
from drivers.samples import AirSample, Validity

EVERY_S = 0.5  # s; between two samples; air changes more slowly
LOOK_S = 1.0  # s; between two looks at a thermometer
# Calls something so often (s) beside the loop; gives what ends that.
Background = Callable[[Callable[[], None], float], Callable[[], None]]

POWER_ON_MC = 85_000  # what a DS18B20 reads before its first conversion (datasheet, "Memory")


class FixedAir:
    """The temperature that stands in the rig file, behind protocols.AirThermometer."""

    def __init__(self, name: str, celsius: float) -> None:
        self.name, self._celsius = name, celsius
        self.counts: Counter[str] = Counter()
        self.trouble: str | None = None
        self._due_s: float | None = None

    def read(self, now_s: float) -> Sequence[AirSample]:
        """Two samples a second."""
        if self._due_s is not None and now_s < self._due_s:
            return []
        self._due_s = now_s + EVERY_S
        return [AirSample(self.name, now_s, Validity.OK, self._celsius)]

    def close(self) -> None:
        """Nothing was open."""


class W1Air:
    """A thermometer's `temperature` file, thousandths of a degree, behind
    protocols.AirThermometer. `look` reads it once; the thread does so again and again.

    counts: read, failed, power_on. Linux, Documentation/w1/slaves/w1_therm.
    """

    def __init__(self, name: str, path: Path, background: Background) -> None:
        self.name, self.path = name, path
        self.counts: Counter[str] = Counter()
        self.trouble: str | None = None
        self._newest: float | None = None  # degrees, not handed up yet; one word, so no lock
        self.look()
        if self.trouble is not None:
            raise DeviceError(self.trouble)
        self._stop = background(self.look, LOOK_S)

    def look(self) -> None:
        """Read the file; it may take 0.75 s."""
        try:
            raw = int(self.path.read_text(encoding="ascii"))
        except (OSError, ValueError) as error:
            self.counts["failed"] += 1
            self.trouble = (
                f"{self.name}: {self.path} gives no temperature ({error}); look at the "
                "thermometer's wires and at dtoverlay=w1-gpio"
            )
            return
        if raw == POWER_ON_MC:
            self.counts["power_on"] += 1  # it has just been powered, and measured nothing yet
            return
        self.counts["read"] += 1
        self.trouble = None
        self._newest = raw / 1000.0

    def read(self, now_s: float) -> Sequence[AirSample]:
        """The newest reading, once. Its age is below the wait for it, and air is slow."""
        celsius, self._newest = self._newest, None
        if celsius is None:
            return []
        return [AirSample(self.name, now_s, Validity.OK, celsius)]

    def close(self) -> None:
        """Read no more."""
        self._stop()
