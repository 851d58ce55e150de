"""The levers' check: each hand seen, either way, and gone when it is off; all that is not, told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from drivers.samples import DriverSample, Validity
from firmware_py.commands import cli
from firmware_py.commission.levers import UNDER_PRESSURE, lever_steps
from firmware_py.commission.procedure import Procedure
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig

RIG = load_rig(find_rig("reference"))
Hands = tuple[bool, bool]
Wiring = Callable[[Hands, str], Hands]


def gpio(**table: object) -> Rig:
    plain = RIG.model_dump(mode="json")
    pins = {"enable_pin": 5, "sensing": "lever", "left_pins": [6], "right_pins": [13]}
    plain["driver"] = {"device": "driver", "kind": "gpio", **pins, **table}
    return Rig.model_validate(plain)


def checked(wiring: Wiring, rig: Rig = RIG) -> tuple[str, ...]:
    """wiring: what the inputs say of the hands that are really there."""
    procedure, now, said = Procedure(lever_steps(rig)), 0.0, ""
    hands = (False, False)
    while not procedure.done:
        asked = procedure.next
        if asked.act.startswith("hold"):
            hands = (asked.act.endswith("left"), asked.act.endswith("right"))
        elif asked.act == "let go":
            hands = (False, False)
        said = asked.words
        for answer in (None, None, "ready"):  # some looks before the person answers
            now += 0.01
            sample = DriverSample("driver", now, Validity.OK, False, *wiring(hands, said))
            assert procedure.step(now, [sample], answer).valves == (0.0, 0.0)
    assert procedure.error is None
    assert procedure.result is not None
    return procedure.result


def test_hands_as_they_should_be_seen() -> None:
    assert checked(lambda hands, said: hands) == ()


@pytest.mark.parametrize(
    ("wiring", "told"),
    [
        (lambda hands, said: (False, hands[1]), ["left lever: a hand that moves it to raise",
                                                 "left lever: a hand that moves it to lower"]),
        (lambda hands, said: (hands[0], hands[1] and "lower" not in said),
         ["right lever: a hand that moves it to lower is not seen"]),
        (lambda hands, said: (hands[0], True), ["right lever: a hand is seen before"]),
        (lambda hands, said: (hands[1], hands[0]), ["left lever: the right hand is seen as well"]),
    ],
    ids=["wire off", "one way only", "stuck", "changed over"],
)  # fmt: skip
def test_what_is_wired_wrong_is_told(wiring: Wiring, told: list[str]) -> None:
    found = checked(wiring)
    for words in told:
        assert any(one.startswith(words) for one in found), found


def test_one_switch_for_both_levers_is_no_fault() -> None:
    both = gpio(left_pins=[], right_pins=[], hand_pins=[6])
    assert checked(lambda hands, said: (any(hands), any(hands)), both) == ()


def test_a_pressure_switch_is_tried_with_oil_and_says_so() -> None:
    assert Procedure(lever_steps(gpio(sensing="pressure"))).next.words == UNDER_PRESSURE


def test_inputs_that_are_silent_end_it() -> None:
    procedure = Procedure(lever_steps(RIG))
    procedure.step(0.01, [], "ready")
    assert str(procedure.error).startswith("driver gives no samples")


def test_the_command_on_the_simulated_rig_and_where_nothing_is_sensed(tmp_path: Path) -> None:
    words = ["check", "levers", "--json", "--store", str(tmp_path)]
    found = CliRunner().invoke(cli, words, input="\n" * 12)
    assert found.exit_code == 0, found.output
    assert '{"right": true, "wrong": []}' in found.output
    text = Path(str(find_rig("reference"))).read_text()
    deaf = 'device = "driver"\nkind = "gpio"\nenable_pin = 5'
    rig = tmp_path / "deaf.toml"
    rig.write_text(text.replace('device = "driver"', deaf))
    found = CliRunner().invoke(cli, [*words, "--rig", str(rig)], input="")
    assert found.exit_code == 1
    assert "switch the automatic off before using the lever" in found.output
