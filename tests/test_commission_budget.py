"""The accuracy budget by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from closed_loop import rig_of

from firmware_py.commission.budget import Conditions, at_speed, budget
from firmware_py.commission.estimate import CommissionError
from firmware_py.trial.setup import rig_named

RIG = rig_named("reference")
NOW = Conditions()


def _line(name: str, now: Conditions = NOW, rig: str = "reference") -> tuple[float, float, float]:
    line = next(one for one in budget(rig_named(rig), now).lines if one.name == name)
    return line.led, line.other, line.crossfall


def test_lines_by_hand() -> None:
    # +-2 K: 2/sqrt(3) K, 750 mm, 1/(2 x 273.15 K): 1.585 mm
    assert _line("air temperature")[0] == pytest.approx(1.585e-3, abs=2e-6)
    # 0.012 deg is 0.0209 % and 0.377 mm over 1.8 m; the datum takes it out of the led end
    assert _line("tilt bias") == pytest.approx((0.0, 0.377e-3, 0.2094e-3), rel=2e-3)
    # +-10 K x 0.1 mg/K: 0.577 mrad; the led end hangs 300 mm from the bar
    assert _line("tilt drift") == pytest.approx((0.173e-3, 1.212e-3, 0.577e-3), rel=2e-3)
    # design.md: 5 deg of crab on 5 % is 0.44 %, 8 mm over the blade
    crab = replace(NOW, grade=0.05, crab_u=math.radians(5.0), mount_yaw_u=0.0)
    assert _line("crab and mounting yaw", crab) == pytest.approx((0.0, 7.9e-3, 4.4e-3), rel=0.02)


def test_the_total_is_the_root_of_the_squares_and_names_the_largest() -> None:
    found = budget(RIG)
    assert found.total.led == pytest.approx(math.sqrt(sum(x.led**2 for x in found.lines)))
    largest = max(found.lines, key=lambda line: line.led)
    assert found.largest == largest.name == "air temperature"
    assert found.largest in found.words()
    assert f"{2e3 * found.total.led:.1f} mm at the led end" in found.words()


def test_each_cause_moves_its_own_line_and_the_name_follows() -> None:
    assert budget(RIG, replace(NOW, air_k=0.0)).largest != "air temperature"
    assert budget(RIG, replace(NOW, tilt_zero_u=0.005)).largest_of_crossfall == "tilt bias"
    assert budget(RIG, replace(NOW, ground_slope=0.2)).largest == "dead time"
    assert _line("range noise", rig="modest")[0] > 3.0 * _line("range noise")[0]


def test_dead_time_grows_with_speed_and_is_nobody_s_without_valves() -> None:
    slow, fast = (at_speed(RIG, NOW, v).lines[-1].led for v in (0.5, 1.0))
    assert fast == pytest.approx(2.0 * slow)
    assert _line("dead time", rig="cue-only") == (0.0, 0.0, 0.0)
    with pytest.raises(CommissionError, match="at least 0"):
        at_speed(RIG, NOW, -0.1)


def test_a_reflector_takes_the_air_out() -> None:
    plain = rig_of().model_dump(mode="json")
    side = next(iter(plain["bars"]))
    plain["bars"][side] |= {"reflector_mm": 300.0, "reflector_element": 0}
    found = budget(type(RIG).model_validate(plain))
    assert next(x for x in found.lines if x.name == "air temperature").led == 0.0
