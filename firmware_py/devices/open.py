"""Opens the devices that a rig file names as real, and joins them to what is simulated."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

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

    DeviceError with one sentence (which table, which port, what is right) where a device is not
    there; then everything that was opened is closed again, and nothing has moved. Opening may take
    some seconds; afterwards no call waits. `wires` puts stand-ins in the place of ports and pins.
    """
    if simulated is None and simulated_devices(rig):
        names = ", ".join(sorted(simulated_devices(rig)))
        raise DeviceError(f"{names}: simulated, and there is no simulated rig behind this one")
    shared = Shared(rig, wires or Wires())
    now_s = shared.wires.clock()
    joined: list[Joined] = []
    try:
        valves = _open_all(rig, shared, now_s, joined)
    except OSError:
        for one in joined:
            one.close()
        shared.close()
        raise
    return MixedRig(joined, valves, simulated, simulated_devices(rig), also=shared.close)


def _open_all(
    rig: Rig, shared: Shared, now_s: float, joined: list[Joined]
) -> protocols.Valves | None:
    """The valves first: they are shut by being opened."""
    valves: protocols.Valves | None = None
    if rig.valves is not None and not without_lease(rig):
        with _named("valves"):
            opened = open_valves(rig.valves, shared, now_s)
        if opened is not None:
            joined.append(opened[0])
            valves = opened[1]
    for side, bar in rig.bars.items():
        with _named(f"bars.{side}"):
            _add(joined, open_bar(side, bar, shared, now_s))
    with _named("inertial"):
        _add(joined, open_inertial(rig.inertial, shared, now_s))
    with _named("air"):
        _add(joined, open_air(rig.air, shared))
    with _named("motion"):
        _add(joined, open_motion(rig.motion, shared))
    with _named("driver"):
        _add(joined, open_driver(rig.driver, shared))
    if rig.gnss is not None:
        with _named("gnss"):
            _add(joined, open_gnss(rig.gnss, shared))
    return valves


def _add(joined: list[Joined], one: Joined | None) -> None:
    if one is not None:
        joined.append(one)


@contextmanager
def _named(table: str) -> Iterator[None]:
    """An error names the table that it is about."""
    try:
        yield
    except DeviceError as error:
        raise check_name(table, error) from error
