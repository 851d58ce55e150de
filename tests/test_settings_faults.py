"""The faults of a rig file: each kind alone and all together, with their lines and keys."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_py.errors import FileFault
from firmware_py.settings import Rig
from firmware_py.settings_file import parse

RIG = """\
name = "test"
blade = {width_mm = 1800, ahead_mm = 1200}
[bars.left]
device = "bar.left"
spacing_mm = 75
[inertial]
device = "inertial"
rate_hz = 200
[air]
device = "air"
[motion]
device = "motion"
[driver]
device = "driver"
[limits]
[gate]
near_mm = 25
[left]
guide = "string"
[right]
guide = "fall"
[control]
crossfall_pct = 2
"""


def faults(text: str) -> list[str]:
    """The faults of a text, one line each, without the file's name."""
    try:
        parse(text, "t", Rig)
    except FileFault as error:
        return [line.removeprefix("t:") for line in str(error).splitlines()]
    return []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("spacing_mm", "spacing", "5: bars.left.spacing: unknown key; did you mean spacing_mm?"),
        ("spacing_mm", "zzz", "5: bars.left.zzz: unknown key"),
        ("[limits]", "[limts]", "15: limts: unknown key; did you mean limits?"),
        (
            "[limits]",
            "[bars.middle]\ndevice = 'm'",
            "15: bars.middle: unknown key; left or right is right",
        ),
        ("near_mm", "middle", "17: gate.middle: unknown key; near_mm or far_mm is right"),
        ('name = "test"', "", "1: name: missing; a text, 1 to 60 long is right"),
        (
            "width_mm = 1800, ",
            "",
            "2: blade.width_mm: missing; a number, 300 to 4000 is right",
        ),
        (
            'device = "inertial"',
            "# none",
            "6: inertial.device: missing; a text, 1 to 40 long is right",
        ),
        ('[air]\ndevice = "air"', "", "1: air: missing; a table is right"),
        ("= 75", '= "75"', '5: bars.left.spacing_mm: "75" is the wrong type; a number is right'),
        ("= 75", "= true", "5: bars.left.spacing_mm: true is the wrong type; a number is right"),
        ("= 75", "= [75]", "5: bars.left.spacing_mm: a list is the wrong type; a number is right"),
        ("= 75", "= 900", "5: bars.left.spacing_mm: 900 is out of range; 20 to 300 is right"),
        ("= 75", "= nan", "5: bars.left.spacing_mm: nan is not finite; 20 to 300 is right"),
        ("= 75", "= -inf", "5: bars.left.spacing_mm: -inf is not finite; 20 to 300 is right"),
        ("= 75", "= 1e999", "5: bars.left.spacing_mm: inf is not finite; 20 to 300 is right"),
        (
            "= 75",
            "= 2026-01-01",
            "5: bars.left.spacing_mm: 2026-01-01 is the wrong type; no date or time is read here",
        ),
        (
            "= 75",
            "= 0x" + "f" * 5000,
            "5: bars.left.spacing_mm: a whole number of more than 64 bits is out of range",
        ),
        (
            "spacing_mm = 75",
            "elements = 5.0",
            "5: bars.left.elements: 5.0 is the wrong type; a whole number is right",
        ),
        (
            "spacing_mm = 75",
            "turned = 1",
            "5: bars.left.turned: 1 is the wrong type; true or false is right",
        ),
        (
            "spacing_mm = 75",
            'reflector_mm = "3"',
            '5: bars.left.reflector_mm: "3" is the wrong type; a number is right',
        ),
        (
            '"string"',
            '"strng"',
            '19: left.guide: "strng" is not a choice; "string", "edge", "surface", "fall", '
            '"hold" or "by hand" is right; did you mean string?',
        ),
        (
            "rate_hz = 200",
            'kind = "real"',
            '8: inertial.kind: "real" is not a choice; "simulated", "mpu6050", "lsm6dso", "bno055" '
            'or "board" is right',
        ),
        (
            '"air"',
            '"A\\u001b"',
            '10: air.device: "A\\\\x1b" has the wrong letters; ^[a-z0-9][a-z0-9_.-]*$ is right',
        ),
        ('"test"', '""', '1: name: "" is out of range; 1 to 60 long is right'),
        ("[bars.left]", "bars = 1\n[bar]", None),
        (
            '"motion"',
            '"air"',
            '12: motion.device: "air" is named twice, by air.device as well; each device once',
        ),
        (
            '"fall"',
            '"edge"',
            '21: right.guide: "edge" needs a bar; add [bars.right]',
        ),
        (
            "crossfall_pct = 2",
            "master = 'right'",
            '23: control.master: "right" has no bar; add [bars.right] or set control.master',
        ),
        (
            "spacing_mm = 75",
            "reach_far_mm = 250",
            "17: gate.near_mm: the gate, 25 + 60, is wider than the reach of bars.left, 200 to 250",
        ),
        (
            "crossfall_pct = 2",
            "crossfall_pct = 12",
            "23: control.crossfall_pct: 12 is beyond limits.crossfall_pct, 10",
        ),
        (
            "[limits]",
            "[limits]\ncap_mm_s = 10",
            "16: limits.cap_mm_s: 20 is above limits.cap_mm_s, 10",
        ),
        ("[gate]", "[limits]", "16: not TOML: Cannot declare ('limits',) twice"),
        ("near_mm = 25", "near_mm = 25\nnear_mm = 2", "18: not TOML: a key is given twice"),
        ("near_mm = 25", "near_mm = ", "17: not TOML: Invalid value"),
        ("crossfall_pct = 2\n", 'x = """\n\n', "25: not TOML: Unterminated string"),
    ],
)
def test_one_fault_is_told_alone(old: str, new: str, told: str | None) -> None:
    assert faults(RIG) == []
    assert old in RIG
    found = faults(RIG.replace(old, new, 1))
    assert len(found) == (1 if told else 2)
    assert told in (*found, None)


ALL = """\
nam = "x"
[blade]
width_mm = "1800"
[bars.left]
device = "bar.left"
elements = 5.0
spacing_mm = 900
reach_near_mm = 1600
"noise mm" = 3
[bars.middel]
device = "A b"
[inertial]
device = "bar.left"
rate_hz = nan
[air]
device = "bar.left"
[motion]
device = 2026-01-01
[driver]
device = ""
kind = "simulatd"
[limits]
approach_mm_s = 90
[left]
guide = "strng"
[right]
guide = "fall"
[gate]
near_mm = 500
[control]
against_chainage = 1
crossfall_pct = -15
tick_hz = true
"""


def test_all_faults_of_one_file_are_told_at_once_in_the_order_of_the_file() -> None:
    with pytest.raises(FileFault) as caught:
        parse(ALL, "rig.toml", Rig)
    assert [(fault.line, fault.key) for fault in caught.value.faults] == [
        (1, "nam"),
        (1, "name"),
        (2, "blade.ahead_mm"),
        (3, "blade.width_mm"),
        (6, "bars.left.elements"),
        (7, "bars.left.spacing_mm"),
        (8, "bars.left.reach_near_mm"),  # crossed, though its neighbours are wrong
        (9, 'bars.left."noise mm"'),
        (10, "bars.middel"),
        (11, "bars.middel.device"),
        (13, "inertial.device"),  # named twice
        (14, "inertial.rate_hz"),
        (16, "air.device"),
        (18, "motion.device"),
        (20, "driver.device"),
        (21, "driver.kind"),
        (23, "limits.approach_mm_s"),  # crossed
        (25, "left.guide"),
        (31, "control.against_chainage"),
        (32, "control.crossfall_pct"),  # crossed
        (33, "control.tick_hz"),
    ]
    assert str(caught.value).splitlines()[5] == (
        "rig.toml:7: bars.left.spacing_mm: 900 is out of range; 20 to 300 is right"
    )


def test_a_fault_has_no_false_followers() -> None:
    """What is wrong already, or may be a slip of the pen, is not judged once more."""
    assert len(faults(RIG.replace("[bars.left]", "[bars.lft]"))) == 1
    assert len(faults(RIG.replace("[limits]", "[limts]\ncrossfall_pct = 20\n"))) == 1
    crossed = RIG.replace("spacing_mm = 75", "reach_nea_mm = 100\nreach_far_mm = 200")
    assert len(faults(crossed)) == 1


@settings(deadline=None)
@given(st.data())
def test_a_damaged_file_is_a_rig_or_a_list_of_faults_and_never_a_crash(data: st.DataObject) -> None:
    text = RIG
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = start + data.draw(st.integers(0, 12))
        piece = data.draw(
            st.sampled_from(["", "'", '"', "[", "]", "{", "}", "=", ".", "\n", "9", "é"])
        )
        text = text[:start] + piece + text[end:]
    rig, told = None, ()
    try:
        rig = parse(text, "t", Rig)
    except FileFault as error:
        told = error.faults
    assert (rig is None) == bool(told)
    assert all(1 <= (fault.line or 0) <= text.count("\n") + 1 for fault in told)
