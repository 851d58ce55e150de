"""The real devices of a rig file on benches. Each test opens the rig anew and closes it after.

Devices that the file calls simulated are left out. Whatever only a person can do is asked for at
the terminal; without one those tests are skipped and say so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from drivers.mixed import MixedRig
from drivers.samples import AnySample, ValveCommand
from drivers.wires import Wires
from firmware_py.devices.open import open_rig
from firmware_py.devices.which import real_tables
from firmware_py.settings import MM, Rig
from firmware_py.settings_file import load_rig
from hil_tests.bench import TICK_S, Bench, Clock, Real, by_hand

TRUTH = "nothing here knows the true instant; compare with a logic analyser (docs/board.md)"
UNSEEN = "nothing here sees what drives a coil; measure it by the steps of docs/board.md"
CANNOT = {
    "fired": TRUTH, "way": "measure the way by a tape (docs/valves.md)", "driven": UNSEEN,
    "lease": UNSEEN, "babble": "bad bytes are made by stand-ins alone",
    "kill": "a device is broken in stand-ins alone; on hardware it is unplugged",
    "gate": "what the elements took of the gate cannot be read back",
}  # fmt: skip
KINDS = {"inertial": "inertial", "motion": "motion", "driver": "inputs", "valves": "valves"}
PRESSES = {"enable": "the enable input", "left": "the left lever", "right": "the right lever"}


class Nothing:
    """Stands where the simulated rig would: this back has none."""

    def read(self, now_s: float) -> Sequence[AnySample]:
        return ()

    def write(self, command: ValveCommand) -> None:
        """Nothing moves."""

    def close(self) -> None:
        """Nothing to let go of."""


class Commanded:
    """Valves whose rig is read before each command, as the loop does: they refuse what is stale."""

    def __init__(self, mixed: MixedRig, device: Any) -> None:
        self._mixed, self._device = mixed, device

    def write(self, command: ValveCommand) -> None:
        """As the loop does."""
        self._mixed.read(command.time_s)
        self._device.write(command)

    def neutral(self, now_s: float) -> None:
        """As the device."""
        self._device.neutral(now_s)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)


def benches(
    path: Path, wires: Wires | None = None, clock: Clock | None = None
) -> dict[str, dict[str, Callable[[], Bench]]]:
    """By kind and name, the benches of all devices that the file calls real."""
    rig = load_rig(path)
    found: dict[str, dict[str, Callable[[], Bench]]] = {
        kind: {} for kind in ("bar", "inertial", "inputs", "motion", "valves", "rig")
    }
    for table in real_tables(rig):
        kind = "bar" if table.startswith("bars.") else KINDS.get(table)
        if kind is not None:
            found[kind][table] = partial(bench, rig, table, wires, clock)
    return found


def bench(rig: Rig, table: str, wires: Wires | None, clock: Clock | None) -> Bench:
    """One device of the opened rig."""
    mixed = open_rig(rig, Nothing(), wires)
    settings = named(rig, table)
    device = mixed.devices[settings.device]
    (said,) = [s for s in mixed.report(0.0) if s.name == settings.device]
    does: dict[str, Callable[..., Any]] = {
        "unplug": by_hand(f"Unplug {table}"), "replug": by_hand(f"Plug {table} in again"),
        "counts": lambda: counts(mixed.report(0.0), settings.device), "press": press,
    }  # fmt: skip
    for name, method in {"dead": "dead", "self test": "self_test"}.items():
        if hasattr(device, method):
            does[name] = getattr(device, method)
    if hasattr(device, "verdict"):
        does["verdict"] = lambda: device.verdict
    period, noise = stated(rig, table, device)
    device = Commanded(mixed, device) if table == "valves" else device
    return Bench(
        device, clock or Real(), period, 0.0, identity=said.what, noise=noise, does=does,
        cannot=CANNOT, close=mixed.close,
    )  # fmt: skip


def named(rig: Rig, table: str) -> Any:
    """The settings of a table by its name in the file."""
    if table.startswith("bars."):
        return next(bar for side, bar in rig.bars.items() if table == f"bars.{side}")
    return getattr(rig, table)


def stated(rig: Rig, table: str, device: Any) -> tuple[float, dict[str, float]]:
    """Period of the samples and noise, as the file or the driver states them."""
    settings = named(rig, table)
    if table.startswith("bars."):
        noise = (settings.noise_mm**2 + settings.step_mm**2 / 12) ** 0.5 * MM
        return getattr(device, "frame_s", settings.frame_ms * MM), {"range_m": noise}
    if table == "inertial":
        model = getattr(device, "model", None)
        return (model.period_s if model is not None else 0.005), {}
    return (0.02 if table == "driver" else TICK_S), {}


def counts(report: Sequence[Any], name: str) -> dict[str, int]:
    """What a device has counted."""
    return next(dict(said.counts) for said in report if said.name == name)


def press(**on: bool) -> float:
    """A person holds what is True and lets go of the rest."""
    held = [PRESSES[name] for name, yes in on.items() if yes]
    let_go = [PRESSES[name] for name, yes in on.items() if not yes]
    words = f"Hold {' and '.join(held)}" if held else "Hold nothing"
    by_hand(f"{words}; let go of {', '.join(let_go)}" if let_go else words)()
    return 0.3
