"""Trial files: those that come with Linehold, and every fault of a bad one told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware_py.errors import FileFault
from firmware_py.messages import Guide, Side
from firmware_py.settings_file import parse
from firmware_py.trial.scenario import (
    RUN_IN_M,
    Scenario,
    bundled_trials,
    find_trial,
    load_trial,
)
from firmware_py.trial.setup import (
    TrialError,
    led_ends,
    rig_for,
    rig_named,
    truth_for,
    world_for,
)

NAMES = (
    "first-cut", "footpath-fast", "footpath-string", "hill-bend", "kerb-lip", "override",
    "second-strip", "two-forms",
)  # fmt: skip
GOOD = """\
name = "t"
words = "A test."
distance_m = 10
path = [{length_m = 20}]
[left]
kind = "string"
"""


def faults(text: str) -> list[str]:
    """The faults of a text, one line each, without the file's name."""
    try:
        parse(text, "t", Scenario)
    except FileFault as error:
        return [line.removeprefix("t:") for line in str(error).splitlines()]
    return []


def test_the_bundled_trials_are_the_named_ones_and_each_scores_60_m() -> None:
    assert bundled_trials() == NAMES
    for name in NAMES:
        trial = load_trial(name)
        assert trial.name == name
        assert trial.distance_m - RUN_IN_M >= 60.0
        rig = rig_for(trial, rig_named(trial.rig))
        assert led_ends(rig)
        truth_for(trial, rig)
        world_for(trial)


def test_every_bundled_trial_can_be_set_up_on_every_kind_of_rig() -> None:
    for name in NAMES:
        for rig_name in ("reference", "modest", "two-bars", "surface"):
            trial = load_trial(name)
            rig = rig_for(trial, rig_named(rig_name))
            truth = truth_for(trial, rig)
            assert (truth.left_bar is not None) == (Side.LEFT in rig.bars)


def test_the_job_decides_guides_edge_height_and_turning() -> None:
    trial = load_trial("second-strip")
    rig = rig_for(trial, rig_named("reference"))
    assert rig.left.guide is Guide.SURFACE
    assert rig.right.guide is Guide.FALL
    assert rig.bars[Side.LEFT].turned
    assert rig.bars[Side.LEFT].above_mm == 600
    rig = rig_for(load_trial("kerb-lip"), rig_named("reference"))
    assert rig.left.edge_width_mm == 120
    assert rig.bars[Side.LEFT].above_mm == 750


def test_a_bar_is_carried_across_to_the_side_of_the_reference() -> None:
    trial = parse(GOOD.replace("[left]", "[right]"), "t", Scenario)
    rig = rig_for(trial, rig_named("reference"))
    assert set(rig.bars) == {Side.RIGHT}
    assert rig.control.master is Side.RIGHT
    assert (rig.left.guide, rig.right.guide) == (Guide.FALL, Guide.STRING)


def test_the_truth_is_as_the_rig_file_says_but_for_what_the_trial_changes() -> None:
    trial = parse("valve_speed_factor = 2\nextra_dead_time_s = 0.04\n" + GOOD, "t", Scenario)
    truth = truth_for(trial, rig_for(trial, rig_named("modest")))
    assert truth.left_bar is not None
    assert truth.left_bar.noise_m == pytest.approx(0.003)
    assert truth.left_bar.interval_s == pytest.approx(0.1429 / 5)
    assert truth.left_bar.max_echoes == 1
    assert (truth.valve_speed_factor, truth.extra_dead_time_s) == (2.0, 0.04)
    assert truth.valves.dead_time_s == pytest.approx(0.08)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("words =", "word =", "2: word: unknown key; did you mean words?"),
        ("= 10", '= "10"', '3: distance_m: "10" is the wrong type; a number is right'),
        ("= 10", "= nan", "3: distance_m: nan is not finite"),
        ("= 10", "= -1", "3: distance_m: -1 is out of range; above 0 and at most 2000 is right"),
        ("= 10", "= 16", "4: path: the path is 20 m long; 16 m of travel need 21 m"),
        ("= 20", "= 20, radius_m = 2", "4: path[1].radius_m: 2 is tighter than the machine drives"),
        ('"string"', '"rope"', '6: left.kind: "rope" is not a choice'),
        ("[left]", "[middle]", "5: middle: unknown key"),
        ('"string"', '"string"\n[[events]]\ndo = "stop"\nfor_s = 1',
         "7: events[1].at_m: missing; an event needs at_m or at_s"),
        ('"string"', '"string"\n[[events]]\ndo = "nudge"\nat_m = 3\nend = "left"',
         '7: events[1].step_mm: missing; "nudge" needs it'),
        ('"string"', '"string"\n[[events]]\ndo = "stop"\nfor_s = 1\nat_m = 3\nlever = 1',
         '11: events[1].lever: "stop" takes no lever'),
        ('"string"', '"string"\n[[events]]\ndo = "stop"\nfor_s = 1\nat_m = 3\nat_s = 1',
         "11: events[1].at_s: at_m and at_s are both given"),
        ('"string"',
         '"string"\n[[events]]\ndo = "fault"\nat_s = 1\nfor_s = 1\nfault = "jump"\n'
         'device = "valves"', "11: events[1].fault: valves has no fault 'jump'"),
        ("name =", 'ground = "Q"\nname =', '1: ground: "Q" is no ground; a class A to H, "flat"'),
    ],
)  # fmt: skip
def test_a_fault_is_told_with_line_and_key(old: str, new: str, told: str) -> None:
    found = faults(GOOD.replace(old, new, 1))
    assert any(line.startswith(told) for line in found), found


def test_all_faults_are_told_at_once() -> None:
    text = GOOD.replace("words", "word").replace("10", '"10"').replace('"string"', '"rope"')
    assert len(faults(text)) == 4  # the misspelt key is missing as well


def test_an_unknown_name_is_told_with_the_nearest() -> None:
    with pytest.raises(FileFault, match="did you mean hill-bend"):
        find_trial("hill-bent")


def test_a_ground_file_that_is_none_is_told(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match="is not there"):
        world_for(load_trial("kerb-lip"), tmp_path / "none.npz")
