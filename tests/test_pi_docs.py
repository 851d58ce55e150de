"""The pages for the Pi and for trials against what they speak of."""

from __future__ import annotations

import importlib.util
import math
import re
from pathlib import Path

import pytest

from drivers.board import pins
from firmware_py.commands.service import PARTS, text_of
from firmware_py.live.ignition import STEADY_S, UNSEEN_S
from firmware_py.live.keeper import Keeper
from firmware_py.live.session import EVERY_S
from firmware_py.settings import Ignition
from firmware_py.settings_file import load_rig
from firmware_py.settings_valves import Pca9685Valves

DOCS = Path(__file__).resolve().parent.parent / "docs"
PI = (DOCS / "pi.md").read_text(encoding="utf-8")
FIELD = (DOCS / "field-trial.md").read_text(encoding="utf-8")
NOT_PINS = {"UART", "UART_BAUD", "VALVE_HZ", "I2C", "I2C_HZ", "INERTIAL_US", "ENABLE_HERE"}


def rows(text: str, heading: str) -> list[list[str]]:
    """The first table after a heading, without its head."""
    part = text[text.index(heading) :]
    lines = part[part.index("\n| ") + 1 :].split("\n\n")[0].splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def board_pins() -> dict[str, tuple[int, ...]]:
    """Every pin that the board's program names."""
    found = {}
    for name, value in vars(pins).items():
        if name.isupper() and name not in NOT_PINS and not isinstance(value, str):
            found[name] = value if isinstance(value, tuple) else (value,)
    return found


def test_the_boards_pins_are_those_of_its_program() -> None:
    told: dict[str, tuple[int, ...]] = {}
    for names, numbers, _ in rows(PI, "### The companion board"):
        listed = tuple(int(n) for n in numbers.split(","))
        words = names.split(", ")
        told |= {words[0]: listed} if len(words) == 1 else {
            word: (n,) for word, n in zip(words, listed, strict=True)
        }  # fmt: skip
    assert told == board_pins()
    used = [n for numbers in told.values() for n in numbers]
    assert len(set(used)) == len(used)


def test_the_boards_own_page_has_the_same_pins() -> None:
    """docs/board.md names GP numbers and ranges; together they are the same set."""
    text = (DOCS / "board.md").read_text(encoding="utf-8")
    told: set[int] = set()
    for first, *_ in rows(text, "## Wiring"):
        for low, high in re.findall(r"(\d+)(?: (?:to|and) (\d+))?", first):
            told |= set(range(int(low), int(high or low) + 1))
    assert told == {n for numbers in board_pins().values() for n in numbers}


@pytest.mark.skipif(
    importlib.util.find_spec("gpiozero") is None, reason="gpiozero (extra pi) is not installed"
)
@pytest.mark.parametrize("page", ["pi.md", "sound.md"])
def test_gpio_numbers_and_header_pins_belong_together(page: str) -> None:
    """Against gpiozero's own table of the 40-pin header."""
    from gpiozero.pins.mock import MockFactory

    header = MockFactory().board_info.headers["J8"]
    number_of = {
        name: pin.number for pin in header.pins.values() for name in {pin.name, *pin.names}
        if isinstance(name, str)
    }  # fmt: skip
    text = (DOCS / page).read_text(encoding="utf-8")
    told = re.findall(r"GPIO (\d+) \((?:header pin )?(\d+)\)", text)
    assert len(told) > (10 if page == "pi.md" else 0)
    for gpio, pin in told:
        assert number_of[f"GPIO{gpio}"] == int(pin), f"GPIO {gpio}"


def test_no_pin_of_the_header_has_two_uses() -> None:
    used = [n for row in rows(PI, "### The header") for n in re.findall(r"GPIO (\d+)", row[1])]
    assert len(used) == len(set(used)) == 13
    lines = text_of(next(p for p in PARTS if p.name == "config.txt.example"))
    halted = re.search(r"halted [|] GPIO (\d+)", PI)
    assert halted is not None
    assert f"gpiopin={halted[1]}\n" in lines


def test_the_rig_files_pins_are_those_of_the_header() -> None:
    """A person wires by the page and runs the bundled file: the relay hangs on one pin in both."""
    relay = re.search(r"watchdog relay [|] GPIO (\d+)", PI)
    assert relay is not None
    bench = load_rig(DOCS.parent / "examples" / "bench.toml")
    assert isinstance(bench.valves, Pca9685Valves)
    assert bench.valves.relay_pin == int(relay[1])


def test_the_ignition_as_told() -> None:
    shown = re.search(r"\[ignition\]\n    pin = (\d+)\n    off_s = (\d+)", PI)
    assert shown is not None
    assert Ignition(pin=int(shown[1]), off_s=float(shown[2])).off_s == Ignition(pin=24).off_s
    assert f"GPIO {shown[1]} (18)" in PI
    assert f"computer gives you {UNSEEN_S:.0f} s" in PI
    assert STEADY_S < 0.2  # "0.2 s" in the table: two looks
    assert EVERY_S * 2 >= STEADY_S
    assert hasattr(Keeper, "overdue")


def test_the_arithmetic_of_divider_and_coupler() -> None:
    """Ohm's law on the values that the page gives."""
    divider = re.search(
        r"([\d.]+) kohm in line, ([\d.]+) kohm to ground makes ([\d.]+) V of 5 V", PI
    )
    assert divider is not None
    line, ground, out = map(float, divider.groups())
    assert 5.0 * ground / (line + ground) == pytest.approx(out, abs=0.005)
    assert 2.0 < out < 3.3
    words = " ".join(PI.split())
    told = re.search(r"At 9 V the LED has ([\d.]+) mA, at 36 V ([\d.]+) mA and the resistor "
                     r"([\d.]+) W", words)  # fmt: skip
    assert told is not None
    low, high, watts = map(float, told.groups())
    least, most = (9.0 - 1.2) / 4.7, (36.0 - 1.2) / 4.7  # mA
    assert low == pytest.approx(least, abs=0.05)
    assert high == pytest.approx(most, abs=0.05)
    assert watts == pytest.approx(most**2 * 4.7e-3, abs=0.005)
    assert "transfer ratio of 20 %" in words
    assert 3.3 / 10.0 / low == pytest.approx(0.20, abs=0.01)


def test_the_files_that_the_page_copies_are_those_of_the_command() -> None:
    told = {n for row in rows(PI, "writes these files") for n in re.findall(r"`([\w.-]+)`", row[0])}
    assert told == {part.name for part in PARTS}
    for part in PARTS:
        if part.goes_to.startswith("/"):
            assert f"| `{part.name}` | `{part.goes_to}`" in PI


def test_the_uncertainties_of_the_instruments() -> None:
    """JCGM 100, 4.3.7: the limits of a rectangular distribution over the root of 3; 5.1.2: roots of
    sums of squares. Tape: Directive 2014/32/EU annex X, class II, 0.3 + 0.2 L + 0.2 mm."""
    u = {row[0].split(",")[0]: float(row[-1]) for row in rows(FIELD, "## Instruments")}
    root3 = math.sqrt(3.0)
    assert u["automatic level"] == pytest.approx(math.hypot(0.6, 0.6), abs=0.06)
    assert u["staff on its foot plate"] == pytest.approx(2.0 / root3, abs=0.06)
    tilt = 1500.0 * (1.0 - math.cos(math.radians(1.0)))
    assert tilt == pytest.approx(0.2, abs=0.05)
    assert u["staff's bubble"] == pytest.approx(tilt / root3, abs=0.06)
    assert u["steel tape"] == pytest.approx((0.3 + 0.2 * 1 + 0.2) / root3, abs=0.06)
    assert u["tape along the strip"] == pytest.approx((0.3 + 0.2 * 40) / root3, abs=0.06)
    over = 1800.0 * math.tan(math.radians(0.05))
    assert over == pytest.approx(1.6, abs=0.05)
    assert u["digital level"] == pytest.approx(over / root3, abs=0.06)
    straight = math.sqrt(sum((limit / root3) ** 2 for limit in (0.5, 0.1, 0.5)))
    assert u["straightedge of 3 m with a wedge of 1 mm steps"] == pytest.approx(straight, abs=0.06)
    sound = 600.0 * 0.5 * 0.5 / 293.15  # the speed goes with the root of the absolute temperature
    assert sound == pytest.approx(0.5, abs=0.05)
    assert u["thermometer in the shade of the bar"] == pytest.approx(sound / root3, abs=0.06)
    three = [u["automatic level"], u["staff on its foot plate"], u["staff's bubble"]]
    both = math.sqrt(sum(one**2 for one in three))
    assert f"u = {both:.1f} mm, U = {2 * both:.1f} mm" in " ".join(FIELD.split())


def test_the_count_of_levels_inside_their_intervals() -> None:
    """Binomial: of 42 at 95 %, fewer than 36 come in one case of a hundred or less."""
    stats = pytest.importorskip("scipy.stats")
    text = (DOCS / "bench-trial.md").read_text(encoding="utf-8")
    told = re.search(r"\| (\d+) to 42 of 42 \|", text)
    assert told is not None
    lowest = int(told[1])
    assert f"{lowest} to 42 of 42 levels inside" in FIELD
    inside = stats.binom(42, 0.95)
    assert inside.cdf(lowest - 1) <= 0.01 < inside.cdf(lowest)


def test_the_form_has_a_line_for_every_level_of_the_protocol_and_loads_nothing() -> None:
    form = (DOCS / "field-trial-form.html").read_text(encoding="utf-8")
    lines = re.findall(r"<tr><td>(\d+)<td>(left|right)<td>", form)
    assert lines == [(str(c), side) for c in range(0, 41, 2) for side in ("left", "right")]
    assert f"both edges: {len(lines)} readings" in FIELD
    steps = [int(n) for n in re.findall(r"^(\d+)\. ", FIELD, re.MULTILINE)]
    assert steps == list(range(1, len(steps) + 1))
    assert f"<td>{steps[-1]}" in form
    assert not re.search(r"(src|href|url\()", form)
