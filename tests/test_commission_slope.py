"""The slope check by hand, and the fault row that asks for it again."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from closed_loop import rig_of

from drivers.samples import InertialSample, Validity
from firmware_py.calibration import Calibration, Slope
from firmware_py.commission.procedure import Procedure, Steps
from firmware_py.commission.slope import Checked, Mounted, level_steps, slope_steps
from firmware_py.controller import Controller
from firmware_py.guard.faults import SLOPE_H, SLOPE_K
from firmware_py.sense.tilt import STANDARD_GRAVITY

DUE = "slope check due"


def samples(roll: float, now: float, warm: float = 20.0) -> Iterator[InertialSample]:
    """Ten of a tick, at rest: roll > 0 left up reads > 0 on y. A little noise, to and fro."""
    for k in range(2):
        shake = 1e-3 * (-1) ** k
        y, z = STANDARD_GRAVITY * math.sin(roll), STANDARD_GRAVITY * math.cos(roll)
        at = now - 0.01 + 0.005 * (k + 1)
        yield InertialSample("inertial", at, Validity.OK, shake, y, z, shake, 0.0, 0.0, warm)


def checked(steps: Steps[Checked], rolls: list[float], *said: float) -> Checked:
    """Play it: the n-th stand has the n-th roll; said: numbers typed in."""
    procedure, now, stand, numbers = Procedure(steps), 1.0, -1, [*said]
    while not procedure.done:
        ask = procedure.next.ask
        stand += ask == "ready"
        answer = numbers.pop(0) if ask == "number" else "ready" if ask else None
        now += 0.01
        procedure.step(now, [*samples(rolls[max(stand, 0)], now)], answer)
    if procedure.error is not None:
        raise procedure.error
    assert procedure.result is not None
    return procedure.result


@pytest.mark.parametrize(("zero_deg", "passed"), [(0.02, True), (0.06, False), (-0.06, False)])
def test_out_and_back_by_hand(zero_deg: float, passed: bool) -> None:
    """Marks at 1 to 5 degrees one way read their negative the other way; the zero stays."""
    zero = math.radians(zero_deg)
    marks = [math.radians(k) for k in (1, 2, 3, 4, 5)]
    rolls = [zero + m for m in marks] + [zero - m for m in reversed(marks)]
    found = checked(slope_steps(seconds=6.0), rolls)
    assert found.check.off.value == pytest.approx(zero, abs=1e-6)
    assert found.check.passed is passed
    assert found.temperature_c == pytest.approx(20.0)


def test_what_is_believed_of_the_mounting_is_taken_out() -> None:
    zero = math.radians(0.3)
    rolls = [zero] * 10
    assert checked(slope_steps(Mounted(0.0, zero), seconds=6.0), rolls).check.passed
    assert not checked(slope_steps(seconds=6.0), rolls).check.passed


def test_a_digital_level_by_hand() -> None:
    """2 % is 1.1458 degrees; the blade reads 1.1858."""
    found = checked(level_steps(seconds=6.0), [math.radians(1.1858)], 2.0)
    assert math.degrees(found.check.off.value) == pytest.approx(0.04, abs=1e-4)
    assert found.check.passed
    assert math.degrees(found.check.off.u) == pytest.approx(0.05 / math.sqrt(3.0), rel=0.02)


def _faults(slope: Slope | None, warm: float, engaged_s: float = 0.0) -> tuple[str, ...]:
    rig = rig_of().model_copy(update={"calibration": Calibration(slope=slope)})
    controller, tick = Controller(rig), None
    controller.finder.engaged_s = engaged_s
    for k in range(5):
        now = 5.0 + 0.01 * k
        tick = controller.step(now, [*samples(0.0, now, warm)])
    assert tick is not None
    return tick.faults


@pytest.mark.parametrize(
    ("warm", "age_h", "due"),
    [(20.0 + SLOPE_K, 0.0, False), (20.1 + SLOPE_K, 0.0, True), (19.9 - SLOPE_K, 0.0, True),
     (20.0, SLOPE_H, False), (20.0, SLOPE_H + 0.01, True)],
)  # fmt: skip
def test_it_is_asked_for_again_on_both_sides(warm: float, age_h: float, due: bool) -> None:
    assert (DUE in _faults(Slope(temperature_c=20.0, age_h=age_h), warm)) is due


def test_engaged_time_counts_and_without_a_check_nothing_is_due() -> None:
    almost = Slope(temperature_c=20.0, age_h=SLOPE_H - 0.5)
    assert DUE not in _faults(almost, 20.0, 1799.0)
    assert DUE in _faults(almost, 20.0, 1801.0)
    assert DUE not in _faults(None, 60.0, 1e6)
