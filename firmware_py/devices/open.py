"""Opens the devices that a rig file names as real, and joins them to what is simulated."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from drivers import protocols
from drivers.errors import DeviceError
from drivers.mixed import Joined, MixedRig
from drivers.wires import Wires
from firmware_py.devices.bars import open_bar
from firmware_py.devices.senses import (
    check_name,
    open_air,
    open_driver,
    open_gnss,
    open_inertial,
    open_motion,
)
from firmware_py.devices.shared import Shared
from firmware_py.devices.valves import open_valves
from firmware_py.devices.which import simulated_devices, without_lease
from firmware_py.settings import Rig


def open_rig(
    rig: Rig, simulated: protocols.Rig | None = None, wires: Wires | None = None
) -> MixedRig:
    """All devices of a rig: the real ones opened here, the rest from `simulated`.

    DeviceError where devices are not there: a line for each of them (which table, which port, what
    is right). Then everything that was opened is closed again, and nothing has moved. Opening may
    take some seconds; afterwards no call waits. `wires` puts stand-ins in place of ports and pins.
    """
    if simulated is None and simulated_devices(rig):
        names = ", ".join(sorted(simulated_devices(rig)))
        raise DeviceError(f"{names}: simulated, and there is no simulated rig behind this one")
    shared = Shared(rig, wires or Wires())
    now_s = shared.wires.clock()
    found = _Opening()
    try:
        found.all_of(rig, shared, now_s)
        if found.missing:
            raise DeviceError("\n".join(found.missing))
    except BaseException:
        for close in (*(one.close for one in found.joined), shared.close):
            with suppress(Exception):  # what did not open is what must be told
                close()
        raise
    return MixedRig(
        found.joined, found.valves, simulated, simulated_devices(rig), also=shared.close,
        took=shared.newest.took,
    )  # fmt: skip


class _Opening:
    """joined, valves: what is open by now; missing: a sentence for each device that is not."""

    def __init__(self) -> None:
        self.joined: list[Joined] = []
        self.valves: protocols.Valves | None = None
        self.missing: list[str] = []

    def all_of(self, rig: Rig, shared: Shared, now_s: float) -> None:
        """The valves first: they are shut by being opened."""
        if rig.valves is not None and not without_lease(rig):
            with self._named("valves"):
                opened = open_valves(rig.valves, shared, now_s)
                if opened is not None:
                    self.joined.append(opened[0])
                    self.valves = opened[1]
        for side, bar in rig.bars.items():
            with self._named(f"bars.{side}"):
                self._add(open_bar(side, bar, shared, now_s))
        with self._named("inertial"):
            self._add(open_inertial(rig.inertial, shared, now_s))
        with self._named("air"):
            self._add(open_air(rig.air, shared))
        with self._named("motion"):
            self._add(open_motion(rig.motion, shared))
        with self._named("driver"):
            self._add(open_driver(rig.driver, shared))
        if rig.gnss is not None:
            with self._named("gnss"):
                self._add(open_gnss(rig.gnss, shared))

    def _add(self, one: Joined | None) -> None:
        if one is not None:
            self.joined.append(one)

    @contextmanager
    def _named(self, table: str) -> Iterator[None]:
        """What is not there is kept with its table's name, and the next device is opened."""
        try:
            yield
        except DeviceError as error:
            self.missing += check_name(table, error)
