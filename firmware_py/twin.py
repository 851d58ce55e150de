"""The simulated twin of a rig: the same machine, every device of it simulated."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from firmware_py.settings import SIMULATED, Rig
from firmware_py.settings_bars import SimulatedBar
from firmware_py.settings_devices import (
    SimulatedDriver,
    SimulatedInertial,
    SimulatedMotion,
    SimulatedThermometer,
)
from firmware_py.settings_valves import SimulatedValves

MODELS: dict[str, type[BaseModel]] = {
    "inertial": SimulatedInertial, "air": SimulatedThermometer, "motion": SimulatedMotion,
    "driver": SimulatedDriver, "valves": SimulatedValves,
}  # fmt: skip


def twin_tables(rig: Rig) -> dict[str, Any]:
    """The rig's plain tables with each device simulated; real ones get the simulated rig's names.

    What a bought device states beside its place in the machine (ports, registers) is left out.
    """
    plain = rig.model_dump(mode="json")
    for side, bar in plain["bars"].items():
        plain["bars"][side] = simulated_table(bar, SimulatedBar, f"bar.{side}")
    for name, model in MODELS.items():
        if plain[name] is not None:
            plain[name] = simulated_table(plain[name], model, name)
    return plain | {"boards": {}, "gnss": None}


def simulated_table(table: dict[str, Any], model: type[BaseModel], name: str) -> dict[str, Any]:
    """One table of a device as a simulated one."""
    if table["kind"] == SIMULATED:
        return table
    kept = {key: value for key, value in table.items() if key in model.model_fields}
    return kept | {"kind": SIMULATED, "device": name}


def twin(rig: Rig) -> Rig:
    """As a Rig."""
    return Rig.model_validate(twin_tables(rig))
