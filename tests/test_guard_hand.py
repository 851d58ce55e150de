"""A rig that senses no hand: a lever that is moved leads to neutral that stays, in one sentence."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from drivers.samples import AnySample, DriverSample
from firmware_py.guard.table import BY_NAME
from firmware_py.messages import Mode
from tests.closed_loop import LEFT, Closed, changed, close, rig_of, shut

ROW = BY_NAME["hand not sensed"]


def unsensed(_: float, samples: Sequence[AnySample]) -> list[AnySample]:
    """The driver's inputs without any switch on the levers."""
    return [
        DriverSample(s.device, s.time_s, s.validity, s.enable, False, False)
        if isinstance(s, DriverSample)
        else s
        for s in samples
    ]


def without_sensing() -> Closed:
    rig = changed(rig_of(), driver={"device": "driver", "kind": "gpio", "enable_pin": 5})
    closed = close(rig)
    closed.wire = unsensed
    return closed.start(drive_s=1.0)


@pytest.mark.parametrize("lever", [0.7, -0.7])
def test_a_lever_that_is_moved_ends_in_neutral_that_stays(lever: float) -> None:
    closed = without_sensing()
    closed.sim.person.hand(LEFT.value, lever)
    took = closed.until(lambda m: ROW.name in m.tick.faults, 3.0)
    assert took < 2.5
    assert shut(closed.last)
    assert closed.last.tick.why == ROW.words
    assert "switch the automatic off before using the lever" in ROW.words.lower()
    closed.sim.person.hand(LEFT.value, None)
    assert all(m.tick.mode is Mode.NEUTRAL for m in closed.run(1.5))


def test_without_a_hand_the_row_is_silent() -> None:
    closed = without_sensing()
    assert not any(ROW.name in m.tick.faults for m in closed.run(2.0))
    assert closed.last.tick.mode is Mode.AUTO
