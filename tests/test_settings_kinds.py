"""Tables of real devices: what each kind takes, and the one sentence for each fault."""

from __future__ import annotations

import pytest

from firmware_py.devices.which import allowed, drives_alone, real_tables, told_of
from firmware_py.errors import FileFault
from firmware_py.messages import Side
from firmware_py.settings import Rig
from firmware_py.settings_bars import SimulatedBar, UartAsciiBar
from firmware_py.settings_file import parse
from firmware_py.twin import twin

PLAIN = """
name = "bench"
blade = { width_mm = 1800, ahead_mm = 1200 }
left = { guide = "string" }
right = { guide = "fall" }
"""
BAR = """
[bars.left]
device = "bar.left"
kind = "uart-ascii"
ports = ["/dev/serial/by-path/a", "/dev/serial/by-path/b", "/dev/serial/by-path/c"]
elements = 3
unit = "mm"
"""
I2C_BAR = """
[bars.left]
device = "bar.left"
kind = "i2c-registers"
addresses = [0x70, 0x71, 0x72]
elements = 3
"""
INERTIAL = """
[inertial]
device = "inertial"
kind = "mpu6050"
"""
AIR = """
[air]
device = "air"
kind = "fixed"
celsius = 12.5
"""
MOTION = """
[motion]
device = "motion"
kind = "wheel"
pin_a = 17
pin_b = 27
pitch_mm = 20
"""
DRIVER = """
[driver]
device = "driver"
kind = "gpio"
enable_pin = 5
sensing = "lever"
left_pins = [6]
right_pins = [13]
"""
VALVES = """
[valves]
device = "valves"
kind = "pca9685"
dead_time_ms = 80
lag_ms = 50
up_mm_s = 90
down_mm_s = 120
overlap_pct = 12
left = { raise_channel = 0, lower_channel = 1 }
right = { output = "on-off", raise_channel = 2, lower_channel = 3 }
lease = "relay"
relay_pin = 25
"""
WHOLE = PLAIN + BAR + INERTIAL + AIR + MOTION + DRIVER + VALVES
SIMULATED = "".join(
    f'[{name}]\ndevice = "{device}"\n'
    for name, device in (
        ("bars.left", "bar.left"), ("inertial", "inertial"), ("air", "air"),
        ("motion", "motion"), ("driver", "driver"),
    )
)  # fmt: skip


def rig(text: str = WHOLE) -> Rig:
    return parse(text, "bench.toml", Rig)


def told(old: str, new: str, text: str = WHOLE) -> list[str]:
    """The faults of a file in which one thing is different, without line and key."""
    assert old in text
    try:
        rig(text.replace(old, new))
    except FileFault as error:
        return [f"{fault.key}: {fault.words}" for fault in error.faults]
    return []


def test_a_rig_of_real_devices_is_read() -> None:
    found = rig()
    assert isinstance(found.bars[Side.LEFT], UartAsciiBar)
    assert found.bars[Side.LEFT].echoes == 1
    assert real_tables(found) == ("bars.left", "inertial", "air", "motion", "driver", "valves")
    assert Rig.model_validate(found.model_dump(mode="json")) == found


@pytest.mark.parametrize(
    ("device", "given", "echoes"),
    [
        ("", '"one"', 1), ("", '"many"', 8), ("", "5", 5),
        ('kind = "board"\n', '"one"', 1), ('kind = "board"\n', '"many"', 4),
        ('kind = "uart-binary"\nunit = "mm"\nports = ["/dev/a", "/dev/b", "/dev/c"]\n'
         "elements = 3\nframe_ms = 150\n", '"many"', 1),
        ('kind = "i2c-registers"\naddresses = [0x70, 0x71, 0x72]\nelements = 3\n'
         "frame_ms = 150\n", '"many"', 8),
    ],
)  # fmt: skip
def test_echoes_are_a_number_or_one_or_many(device: str, given: str, echoes: int) -> None:
    """Many: the most that the kind gives, as docs/rigs.md has it."""
    text = (
        'name = "r"\n[blade]\nwidth_mm = 1800\nahead_mm = 1200\n[boards.main]\n'
        'port = "/dev/serial/by-path/m"\n[inertial]\ndevice = "inertial"\n[air]\ndevice = "air"\n'
        '[motion]\ndevice = "motion"\n[driver]\ndevice = "driver"\n[left]\nguide = "string"\n'
        f'[right]\nguide = "fall"\n[bars.left]\ndevice = "bar.left"\n{device}echoes = {given}\n'
    )
    found = rig(text).bars[Side.LEFT].echoes
    assert found == echoes
    assert type(found) is int


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('unit = "mm"', 'unit = "mm"\nechoes = "several"', 'bars.left.echoes: "several" is the '
         'wrong type; "one" or "many" or a whole number is right'),
        (
            'kind = "uart-ascii"', 'kind = "uart"',
            'bars.left.kind: "uart" is not a choice; "simulated", "uart-ascii", "uart-binary", '
            '"i2c", "i2c-registers" or "board" is right',

        ),
        ('unit = "mm"', "", 'bars.left.unit: missing; "mm" or "cm" is right'),
        ('unit = "mm"', 'unit = "in"',
         'bars.left.unit: "in" is not a choice; "mm" or "cm" is right'),
        ("elements = 3", "elements = 4",
         "bars.left.ports: 3 for 4 elements; one port each is right"),
        ("by-path/b", "by-path/a", "bars.left.ports: /dev/serial/by-path/a is named twice; each "
         "element has its own port"),
        ("/dev/serial/by-path/b", "/dev/ttyUSB1", "bars.left.ports: /dev/ttyUSB1 is a number that "
         "changes; its name in /dev/serial/by-path is right"),
        ('unit = "mm"', 'unit = "mm"\nfrequency = 4',
         "bars.left.frequency: unknown key"),
        ('unit = "mm"', 'unit = "cm"',
         "bars.left.unit: a step_mm of 1 is finer than cm; 10 is right"),
        ('unit = "mm"', 'unit = "mm"\nframe_ms = 40',
         "bars.left.frame_ms: 40 is faster than the elements; 100 or more is right"),
        ('unit = "mm"', 'unit = "mm"\norder = [0, 1, 1]\ntrigger = "byte"',
         "bars.left.order: [0, 1, 1] must name each of the elements 0 to 2 once"),
        ('unit = "mm"', 'unit = "mm"\norder = [0, 2, 1]',
         'bars.left.order: elements that run free have no order; trigger = "byte" or "release" is '
         "right"),
        ('unit = "mm"', 'unit = "mm"\nechoes = 2', "bars.left.echoes: 2 is out of range; 1 to 1 is "
         "right"),
        ('kind = "mpu6050"', 'kind = "mpu6050"\nrate_hz = 208',
         "inertial.rate_hz: rate 208 Hz is not offered; 1000 Hz divided by 1 to 256 is"),
        ('kind = "mpu6050"', 'kind = "mpu6050"\naccel_g = 3',
         "inertial.accel_g: 3 is not a choice; 2, 4, 8 or 16 is right"),
        ('kind = "mpu6050"', 'kind = "mpu6050"\naxes = ["+x", "+x", "+z"]',
         "inertial.axes: axes +x, +x, +z name a chip axis twice; each of x, y, z once"),
        ('kind = "mpu6050"', 'kind = "mpu6050"\naddress = 0x40',
         "valves.kind: 0x40 on /dev/i2c-1 is taken by inertial as well"),
        ("celsius = 12.5", "", "air.celsius: missing; a number, -40 to 60 is right"),
        ("pin_b = 27", "pin_b = 6", "driver.left_pins: 6 is taken by motion.pin_b as well; each "
         "pin once"),
        ("pin_b = 27", "pin_b = 2", "motion.pin_b: 2 is taken by the bus /dev/i2c-1 as well; each "
         "pin once"),
        ('sensing = "lever"', "", 'driver.left_pins: what do these pins sense? sensing = "lever", '
         '"pressure" or "buttons" is right'),
        ("right_pins = [13]", "", 'driver.sensing: "lever" needs pins for both ends; left_pins and '
         "right_pins, or hand_pins, are right"),
        ("relay_pin = 25", "", 'valves.lease: "relay" needs the pin that pulses it; add relay_pin'),
        ('lease = "relay"', "", 'valves.relay_pin: 25 has no use without lease = "relay"'),
        ('lease = "relay"\nrelay_pin = 25', 'lease = "board"',
         'valves.lease: "main" is no board of this file; add [boards.main]'),
        ("lower_channel = 3", "lower_channel = 1",
         "valves.right.lower_channel: 1 is of the left valve as well; each channel once"),
        ("lower_channel = 3", "lower_channel = 2",
         "valves.right.lower_channel: 2 raises as well; two channels are right"),
        ('output = "on-off"', 'output = "on"',
         'valves.right.output: "on" is not a choice; "coils", "pulse" or "on-off" is right'),
        ('output = "on-off"', "least_ms = 80", "valves.right.least_ms: unknown key"),
        ("relay_pin = 25", "relay_pin = 25\npwm_hz = 2000",
         "valves.pwm_hz: 2000 is out of range; 24 to 1526 is right"),
    ],
)  # fmt: skip
def test_one_fault_is_told_alone(old: str, new: str, words: str) -> None:
    found = told(old, new)
    assert [one for one in found if one.startswith(words)], found
    assert len(found) == 1, found


def test_an_item_of_a_list_that_is_wrong_is_told_alone() -> None:
    """Cross checks that look at each item must not trip over one that is not valid."""
    (words,) = told('"/dev/serial/by-path/b"', '"PORT1"')
    assert words.startswith('bars.left.ports[2]: "PORT1" has the wrong letters')
    (words,) = told('kind = "mpu6050"', 'kind = "mpu6050"\naxes = [1, "+y", "+z"]')
    assert words.startswith("inertial.axes[1]: 1 is not a choice")


def test_several_faults_of_a_table_of_no_kind_are_told_with_it() -> None:
    found = told('kind = "mpu6050"', 'kind = "mpu"\nrate_hz = 1')
    assert [one.split(":")[0] for one in found] == ["inertial.kind", "inertial.rate_hz"]


def test_what_is_no_table_at_all_is_told() -> None:
    assert told(AIR, "", "air = 3" + WHOLE) == ["air: 3 is the wrong type; a table is right"]


def test_the_twin_is_simulated_and_keeps_the_machine() -> None:
    found = twin(rig())
    assert real_tables(found) == ()
    bar = found.bars[Side.LEFT]
    assert isinstance(bar, SimulatedBar)
    assert (bar.elements, bar.echoes, bar.frame_ms) == (3, 1, 150)
    assert found.valves is not None
    assert found.valves.dead_time_ms == 80
    assert twin(found) == found


def test_a_pwm_chip_without_a_lease_gives_cues_only_and_says_so() -> None:
    bare = rig(WHOLE.replace('lease = "relay"\nrelay_pin = 25', ""))
    assert allowed(bare).valves is None
    (words,) = told_of(bare)
    assert "cues only" in words
    assert words.count(". ") == 0  # one sentence
    assert told_of(rig()) == ()
    assert allowed(rig()).valves is not None


def test_without_a_hand_sensed_the_driver_is_told_so() -> None:
    hands = 'sensing = "lever"\nleft_pins = [6]\nright_pins = [13]\n'
    (words,) = told_of(rig(WHOLE.replace(hands, "")))
    assert words.endswith("switch the automatic off before using the lever.")


@pytest.mark.parametrize(
    ("text", "alone"),
    [
        (SIMULATED, True),
        (SIMULATED.replace('"air"\n', '"air"\nkind = "fixed"\ncelsius = 10\n'), True),
        (SIMULATED + VALVES.replace('"pca9685"', '"dry-run"').split("left =")[0], True),
        (SIMULATED + VALVES, False),
        (SIMULATED.replace('"inertial"\n', '"inertial"\nkind = "mpu6050"\n'), False),
    ],
)
def test_the_simulated_driver_works_alone_only_where_nothing_real_moves(
    text: str, alone: bool
) -> None:
    assert drives_alone(rig(PLAIN + text)) is alone
