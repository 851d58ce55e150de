"""Which devices of a rig are real, and what follows from that before anything is opened.

Light to import: nothing here loads a driver.
"""

from __future__ import annotations

from firmware_py.settings import SIMULATED, Rig
from firmware_py.settings_valves import Pca9685Valves

NO_LEASE = (
    "The PWM chip keeps its last value when this program dies, and nothing holds its output-enable:"
    ' cues only, until [valves] says lease = "board" or "relay".'
)
NO_HAND = "Nothing senses a hand on a lever: switch the automatic off before using the lever."


def without_lease(rig: Rig) -> bool:
    """True of a rig whose valves would stay open when the loop dies."""
    return isinstance(rig.valves, Pca9685Valves) and rig.valves.lease is None


def allowed(rig: Rig) -> Rig:
    """The rig as it may run: without its valves where nothing would shut them."""
    if not without_lease(rig):
        return rig
    found = rig.calibration.model_copy(update={"valves": {}})
    return rig.model_copy(update={"valves": None, "calibration": found})


def real_tables(rig: Rig) -> tuple[str, ...]:
    """The tables of devices that are not simulated, as the rig file names them."""
    tables = {f"bars.{side}": bar for side, bar in rig.bars.items()} | {
        "inertial": rig.inertial, "air": rig.air, "motion": rig.motion, "driver": rig.driver,
        "valves": rig.valves,
    }  # fmt: skip
    return tuple(
        name for name, table in tables.items() if table is not None and table.kind != SIMULATED
    )


def simulated_devices(rig: Rig) -> frozenset[str]:
    """The names of the devices that give samples and are simulated."""
    tables = [*rig.bars.values(), rig.inertial, rig.air, rig.motion, rig.driver]
    return frozenset(table.device for table in tables if table.kind == SIMULATED)


def told_of(rig: Rig) -> tuple[str, ...]:
    """What a person must know of this rig before it runs, in sentences."""
    told = [NO_LEASE] if without_lease(rig) else []
    if rig.valves is not None and not without_lease(rig) and not rig.driver.senses_hand:
        told.append(NO_HAND)
    return tuple(told)


def drives_alone(rig: Rig) -> bool:
    """Whether the simulated driver may do the whole job: nothing real can move or be moved.

    A typed-in temperature and a dry run of the valves change nothing of that.
    """
    harmless = {"air", "valves"} if rig.valves is None or rig.valves.kind == "dry-run" else {"air"}
    return not set(real_tables(rig)) - harmless
