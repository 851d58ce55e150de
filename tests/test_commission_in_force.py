"""What was found acts: each element's zero and scale, each valve's own map. Values by hand."""

from __future__ import annotations

import math

import msgspec
import pytest

from drivers.samples import AnySample, Echo, RangePing, Validity
from drivers.simulated.rig import SimulatedRig
from firmware_py import messages as ask
from firmware_py.act.actuate import ratios
from firmware_py.act.cylinders import ends_from_valves, valves_from_ends
from firmware_py.act.valve import Characteristic
from firmware_py.calibration import Elements, OneValve
from firmware_py.controller import Controller
from firmware_py.live.simulated import simulated
from firmware_py.sense.elements import ElementCorrection
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig

RIG = load_rig(find_rig("reference"))
FOUND = OneValve(up_mm_s=80, down_mm_s=130, overlap_up_pct=10, overlap_down_pct=20, cylinder_mm=500)


@pytest.mark.parametrize(
    ("element", "reading", "true"),
    [(0, 0.602, 0.600), (1, 0.597, 0.600), (2, 0.601, 0.600), (2, 0.802, 0.800), (2, 0.400, 0.400)],
)
def test_an_element_by_hand(element: int, reading: float, true: float) -> None:
    """Zeros +2, -3, +1 mm; element 2 adds 5 mm a metre from 0.6 m on: 0.2 m off, +-1 mm."""
    found = Elements(middle_mm=600, zero_mm=[2, -3, 1], scale=[1, 1, 1.005])
    assert ElementCorrection(found).true(element, reading) == pytest.approx(true, abs=1e-12)


def test_a_firing_keeps_its_instants() -> None:
    """At 340 m/s 2 mm too far are 2 x 0.002 / 340 s too late."""
    found = Elements(middle_mm=600, zero_mm=[2, 0, 0], scale=[1, 1, 1])
    ping = RangePing("bar.left", 1.0, Validity.OK, 0, (Echo(1.0018, 1.204 / 340.0),))
    fixed = ElementCorrection(found).ping(ping, 340.0)
    assert fixed.echoes[0].flight_s == pytest.approx(1.2 / 340.0)
    assert fixed.echoes[0].time_s == 1.0018
    assert (fixed.device, fixed.time_s, fixed.element) == ("bar.left", 1.0, 0)


def test_a_valve_with_two_overlaps() -> None:
    """90 % of 10 % made up for raising, of 20 % lowering; half speed is half of what is left."""
    assert RIG.valves is not None
    one = Characteristic.of(RIG.valves, FOUND)
    assert one.command(0.040) == pytest.approx(0.09 + 0.5 * 0.91)
    assert one.command(-0.065) == pytest.approx(-(0.18 + 0.5 * 0.82))
    assert one.rate(0.15) == pytest.approx(0.08 * 0.05 / 0.9)
    assert one.rate(-0.15) == 0.0
    assert one.rate(-0.60) == pytest.approx(-0.13 * 0.5)


def test_the_map_of_two_unlike_valves_by_hand() -> None:
    """b/a of 2 and 1.5: the left valve alone, at 1, lifts the ends by (1 + 2)/2 and (1 - 2)/2."""
    assert ends_from_valves(1.0, 0.0, (2.0, 1.5)) == pytest.approx((1.5, -0.5))
    assert ends_from_valves(0.0, 1.0, (2.0, 1.5)) == pytest.approx((-0.25, 1.25))
    for ends in ((1.0, 0.0), (0.3, -0.7), (1.0, 1.0)):
        back = valves_from_ends(*ends, (2.0, 1.5))
        assert ends_from_valves(*back, (2.0, 1.5)) == pytest.approx(ends)


def test_each_valve_turns_about_its_own_place() -> None:
    assert ratios(RIG) == (1.5, 1.5)
    both = {"left": FOUND.model_dump(), "right": FOUND.model_dump() | {"cylinder_mm": 600.0}}
    found = Rig.model_validate(RIG.model_dump() | {"calibration": {"valves": both}})
    assert ratios(found) == pytest.approx((900 / 500, 900 / 600))
    assert ratios(RIG.model_copy(update={"valves": None})) == (0.0, 0.0)


class Off:
    """The simulated rig with elements that read too far, each by its own."""

    def __init__(self, sim: SimulatedRig) -> None:
        self.sim = sim

    def read(self, now_s: float) -> list[AnySample]:
        return [self._off(s) for s in self.sim.read(now_s)]

    @staticmethod
    def _off(s: AnySample) -> AnySample:
        if not isinstance(s, RangePing):
            return s
        late = 2e-3 * ZEROS[s.element] / SOUND
        return msgspec.structs.replace(
            s, echoes=tuple(Echo(e.time_s, e.flight_s + late) for e in s.echoes)
        )


ZEROS = (6.0, 5.0, 6.0, 7.0, 6.0)  # mm
SOUND = 331.3 * math.sqrt(1.0 + 17.0 / 273.15)  # m/s in the simulated air, 17 C


@pytest.mark.parametrize(("calibrated", "off_mm"), [(False, 6.0), (True, 0.0)])
def test_the_controller_believes_the_true_clearance(calibrated: bool, off_mm: float) -> None:
    """Elements 6 mm off: that is what an uncalibrated rig is off by, and a calibrated one not."""
    found = {"middle_mm": 600, "zero_mm": list(ZEROS), "scale": [1.0] * 5}
    extra = {"calibration": {"bars": {"left": found}}} if calibrated else {}
    rig = Rig.model_validate(RIG.model_dump() | extra)
    sim, controller, misses = simulated(RIG), Controller(rig), []
    rigged = Off(sim)
    for k in range(600):
        now = 5.0 + 0.01 * k
        tick = controller.step(now, rigged.read(now))
        seen, true = tick.bars[0].clearance_m, sim.truth().left_bar
        if k > 300 and seen is not None and true is not None:
            misses.append(1e3 * (seen - true.clearance_m))
    assert len(misses) > 200
    assert sum(misses) / len(misses) == pytest.approx(off_mm, abs=1.2)


def test_a_line_that_is_not_heard_cannot_be_chosen_on_the_go() -> None:
    """The request is refused with what would work; another guide is not."""
    plain = RIG.model_dump() | {"left": {"guide": "edge"}}
    plain["calibration"] = {"no_string": {"left": "What would work: a tube."}}
    controller = Controller(Rig.model_validate(plain))
    tick = controller.step(5.0, (), [ask.SetGuide(1, ask.Side.LEFT, ask.Guide.STRING)])
    assert not tick.answers[0].done
    assert tick.answers[0].reason == "left: string is refused. What would work: a tube."
    again = controller.step(5.01, (), [ask.SetGuide(2, ask.Side.LEFT, ask.Guide.HOLD)])
    assert again.answers[0].done
