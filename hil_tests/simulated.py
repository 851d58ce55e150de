"""The simulated rig's devices on a bench. The machine stands; the person is the test."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from drivers.simulated.reference import REFERENCE, with_bars
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World
from hil_tests.bench import TICK_S, Bench, Virtual

LONG_S = 1e6
OWN = "a simulated device tells the instant itself: there is no other clock to hold it against"
NO_WIRE = "a simulated device has no wire"
CALM = Reference(pins=False, spill=False, weight_n_per_m=0.0)


def simulated_rig() -> SimulatedRig:
    """Two bars over straight strings on flat ground, so that every kind of device is there."""
    rig = with_bars(REFERENCE, left=True, right=True)
    return SimulatedRig(World(ground="flat", left=CALM, right=CALM), rig, seed=11)


def device(name: str, period_s: float, **noise: float) -> Bench:
    """One device of the rig; the whole physics runs behind it."""
    rig = simulated_rig()
    clock = Virtual()
    rig.read(clock())
    start_s = clock()

    def break_now(kind: str) -> None:
        rig.inject(kind, name, clock() - start_s, LONG_S)

    part = rig.devices[name]

    def mend() -> None:
        part.faults = type(part.faults)()  # type: ignore[misc]  # whatever was plugged, is again

    does: dict[str, Callable[..., object]] = {
        "unplug": partial(break_now, "unplug"), "replug": mend,
        "roll": rig.person.drive, "way": lambda: rig.truth().travelled_m,
    }  # fmt: skip

    def press(**on: bool) -> float:
        for which, closed in on.items():
            if which == "enable":
                rig.person.enable(closed)
            else:
                rig.person.hand(which, 0.0 if closed else None)
        return 2 * 0.02 + TICK_S

    does["press"] = press
    cannot = dict.fromkeys(("fired",), OWN) | dict.fromkeys(
        ("kill", "dead", "babble", "counts", "gate", "self test"), NO_WIRE
    )
    return Bench(part, clock, period_s, 1e-3, noise=noise, does=does, cannot=cannot)


def valves() -> Bench:
    """The two valves with their lease."""
    rig = simulated_rig()
    clock = Virtual()
    rig.read(clock())
    clock.run = rig.read  # type: ignore[assignment]
    return Bench(
        rig.devices["valves"], clock, TICK_S, TICK_S,
        does={"driven": lambda: rig.valve_output(clock()),
              "lease": lambda: REFERENCE.valves.lease_s},
        cannot={"unplug": NO_WIRE, "replug": NO_WIRE, "counts": NO_WIRE},
    )  # fmt: skip


BARS = {"bar.left": lambda: device("bar.left", 0.04, range_m=REFERENCE_NOISE_M)}
REFERENCE_NOISE_M = 0.0012  # 1 mm at 0.6 m, in proportion to range, and its step
INERTIAL = {"inertial": lambda: device("inertial", 0.005)}
INPUTS = {"driver": lambda: device("driver", 0.02)}
MOTION = {"motion": lambda: device("motion", 0.02)}
VALVES = {"valves": valves}
