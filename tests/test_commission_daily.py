"""The start-of-day list: each thing that can be wrong, and all of it at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.samples import AnySample, RangePing
from drivers.simulated.rig import SimulatedRig
from firmware_py.commission.daily import Daily, daily_steps
from firmware_py.commission.procedure import Procedure
from firmware_py.live.simulated import simulated
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig

RIG = load_rig(find_rig("reference"))


def changed(rig: Rig = RIG, **tables: dict[str, Any]) -> Rig:
    plain = rig.model_dump(mode="json")
    for name, table in tables.items():
        plain[name] |= table
    return Rig.model_validate(plain)


def bar(**changes: Any) -> Rig:
    left = RIG.bars["left"].model_dump(mode="json") | changes  # type: ignore[index]
    return changed(bars={"left": left})


def day(
    rig: Rig = RIG,
    breaks: Callable[[SimulatedRig], object] = lambda _: None,
    lost: Callable[[AnySample, float], bool] = lambda sample, since_s: False,
) -> Daily:
    """rig: what is believed of the reference rig; lost: samples that never come."""
    sim = simulated(RIG)
    breaks(sim)
    procedure, now = Procedure(daily_steps(rig, stand_s=3.0, shake_s=3.0)), 10.0
    while not procedure.done:
        now += 0.01
        said = "ready" if procedure.next.ask else None
        came = [one for one in sim.read(now) if not lost(one, now - 10.0)]
        procedure.step(now, came, said)
        assert procedure.next.valves == (0.0, 0.0)
    assert procedure.error is None
    assert procedure.result is not None
    return procedure.result


def test_a_machine_that_is_right() -> None:
    found = day()
    assert found.wrong == ()
    assert len(found.good) == 4


@pytest.mark.parametrize(
    ("device", "kind", "span", "told"),
    [
        ("inertial", "unplug", (0.0, 99.0), "inertial: no sample in 3 s"),
        ("bar.left", "unplug", (0.0, 99.0), "bar.left: no sample in 3 s"),
        ("driver", "unplug", (0.0, 99.0), "driver: no sample in 3 s"),
        ("air", "nan", (0.0, 99.0), "air: 100 % of its samples are refused"),
        ("inertial", "unplug", (4.5, 4.7), "inertial: silent for 0.2"),
        ("bar.left", "unplug", (4.5, 4.8), "bar.left: silent for 0.3"),
        ("bar.left", "reference_gone", (0.0, 99.0), "its string is tracked for 0 % of the time"),
    ],
)
def test_a_broken_device_is_named(
    device: str, kind: str, span: tuple[float, float], told: str
) -> None:
    found = day(breaks=lambda sim: sim.inject(kind, device, *span))
    assert any(told in words for words in found.wrong), found.wrong


@pytest.mark.parametrize(
    ("span", "told"),
    [((0.0, 99.0), "bar.left, element 3: no answer in 3 s"),
     ((4.5, 5.0), "bar.left, element 3: silent for 0.5")],
)  # fmt: skip
def test_one_element_of_a_bar_is_named(span: tuple[float, float], told: str) -> None:
    """Its neighbours go on answering, so the bar as a whole is not silent."""

    def lost(sample: AnySample, since_s: float) -> bool:
        its = isinstance(sample, RangePing) and sample.element == 3
        return its and span[0] <= since_s < span[1]

    found = day(lost=lost)
    assert any(words.startswith(told) for words in found.wrong), found.wrong


def test_a_hand_that_leans_on_a_lever_is_told() -> None:
    found = day(breaks=lambda sim: sim.person.hand("left", 0.0))
    assert any("a hand is on a lever" in words for words in found.wrong)


@pytest.mark.parametrize(
    ("rig", "told"),
    [
        (changed(inertial={"rate_hz": 400}), "inertial: 200.0 samples a second; 400.0"),
        (bar(frame_ms=60), "bar.left: 125.0 samples a second; 83.3"),
        (bar(outside_mm=100), "its middle is 100 mm off the blade end; 150 to 600"),
        (bar(reach_near_mm=570), "mm; with the gate within the elements' reach"),
        (changed(gate={"near_mm": 50}), "pins stand 50 mm proud of the line, inside the gate"),
        (changed(gate={"far_mm": 160}), "below the reference, inside the gate of 160 mm"),
    ],
    ids=["rate", "frame", "outside", "reach", "pins", "ground"],
)
def test_what_is_set_up_wrong_is_named(rig: Rig, told: str) -> None:
    found = day(rig)
    assert any(told in words for words in found.wrong), found.wrong


def test_everything_wrong_is_told_at_once() -> None:
    rig = changed(bar(outside_mm=100), gate={"near_mm": 60, "far_mm": 200})

    def breaks(sim: SimulatedRig) -> None:
        sim.inject("unplug", "air", 0.0, 99.0)
        sim.inject("unplug", "inertial", 4.5, 4.7)

    assert len(day(rig, breaks).wrong) >= 5
