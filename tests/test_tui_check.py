"""The check screen: a reading goes out as typed, its answer comes back in plain words."""

import asyncio
import statistics

import pytest
from msgspec.structs import replace
from textual.pilot import Pilot

from firmware_py.guard import levels
from firmware_py.link.frames import Beat
from firmware_py.messages import Check as Level
from firmware_py.messages import CheckLevel, Disengage, Nudge, Side
from tests import tui_made as made
from tests.tui_panes import PaneApp, press, with_pane
from tui import check_words
from tui.app import Dashboard
from tui.check import Check
from tui.options import Options
from tui.units import System, Units

LEFT, RIGHT = Side.LEFT, Side.RIGHT
METRIC = Units()
# By hand: believed 0.5 mm too low, tape 158 mm where 150 mm was expected, so the end stands 8 mm
# under its target, 7.5 mm lower than believed: 7.5 mm up puts it right.
OFF = Level(LEFT, 12.1, 0.158, 0.150, -0.0075, 0.0075, 1)
WELL = Level(LEFT, 7.1, 0.152, 0.150, -0.0015, 0.0015, 0)
RIGHT_ONE = Level(RIGHT, 9.1, 0.143, 0.150, 0.0065, -0.0065, 1)
TWICE = Level(LEFT, 14.0, 0.160, 0.150, -0.0095, 0.0095, 2)


def beats(*checks: Level, due: bool = False, after: int = 0) -> list[Beat]:
    """A tick for each check, the last one now; after: how many checks there were before."""
    first = made.NOW - 0.01 * max(len(checks) - 1, 0)
    return [
        made.beat(first + 0.01 * n, check=replace(check, number=after + n), check_due=due)
        for n, check in enumerate(checks)
    ]


def test_the_limit_is_the_guards() -> None:
    assert check_words.IN_A_ROW == levels.IN_A_ROW


def test_the_newest_check_in_words() -> None:
    lines = check_words.result(OFF, 0.005, METRIC)
    assert lines == [
        "Left end: measured 158.0 mm, expected 150.0 mm, difference +8.0 mm.",
        "It is 7.5 mm lower than the controller believes. Proposed offset +7.5 mm.",
        "Beyond the tolerance of 5.0 mm. Measure once more.",
    ]
    assert "6.5 mm higher than" in check_words.result(RIGHT_ONE, 0.005, METRIC)[1]
    assert check_words.result(WELL, 0.005, METRIC)[2] == "Within the tolerance of 5.0 mm."
    inches = check_words.result(OFF, 0.005, Units(System.US))
    assert "measured 6.22 in, expected 5.91 in, difference +0.31 in" in inches[0]


def test_two_in_a_row_say_what_to_look_at() -> None:
    words = check_words.verdict(TWICE, 0.005, METRIC)
    assert words.endswith("Check string, cutting-edge wear and mounting.")
    assert "string" not in check_words.verdict(OFF, 0.005, METRIC)


def test_the_table_has_mean_and_spread_of_each_end() -> None:
    """Outside check: the standard deviation is the sample's (n - 1), as Python's statistics."""
    lines = check_words.table([WELL, OFF, TWICE, RIGHT_ONE], METRIC)
    wrong_mm = [-1.5, -7.5, -9.5]
    mean, sd = statistics.fmean(wrong_mm), statistics.stdev(wrong_mm)
    assert lines[0] == f"Left end: wrong by {mean:.1f} mm (mean), spread sd {sd:.1f} mm, 3 checks"
    assert lines[1] == "Right end: wrong by +6.5 mm (mean), spread sd needs two, 1 check"
    newest_first = [line.split()[0] for line in lines[3:7]]
    assert newest_first == ["4", "3", "2", "1"]
    second = " ".join(lines[5].split())
    assert second == "2 12.1 m left 158.0 mm 150.0 mm +8.0 mm -7.5 mm"
    assert check_words.table([], METRIC) == []


def test_a_tape_reading_goes_out_as_typed() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, "down", "down", "down", "enter")
        assert "Reading of the tape at the left end, in mm:" in text
        await press(app, pilot, *"158", "enter")
        assert app.focused is app.pane

    assert with_pane(Check(), body).asked == [CheckLevel(1, LEFT, pytest.approx(0.158), None)]


def test_a_staff_needs_the_reading_that_it_should_show() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "right", "down", "right")  # right end, staff
        assert "staff, against a value" in app.text()
        assert "Give the reading" in await press(app, pilot, "down", "down", "enter")
        assert app.asked == []
        await press(app, pilot, "up", "enter", *"1.5m", "enter")
        assert "1500.0 mm" in app.text()
        await press(app, pilot, "down", "enter", *"1507", "enter")

    app = with_pane(Check(), body)
    assert app.asked == [CheckLevel(1, RIGHT, pytest.approx(1.507), pytest.approx(1.5))]


def test_readings_are_typed_in_the_drivers_units() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "in in:" in await press(app, pilot, "down", "down", "down", "enter")
        await press(app, pilot, *"6.0", "enter")

    app = with_pane(Check(), body, options=Options(units=Units(System.US)))
    assert app.asked == [CheckLevel(1, LEFT, pytest.approx(0.1524), None)]


def test_a_slip_is_told_and_space_shuts_the_valves_while_typing() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, "down", "down", "down", "enter", *"1,5,8", "enter")
        assert "is no length" in text
        assert app.asked == []
        await press(app, pilot, "1", "space")
        assert app.focused is app.pane
        await press(app, pilot, "enter", "9", "escape")
        assert app.focused is app.pane

    assert with_pane(Check(), body).asked == [Disengage(1)]


def test_old_data_takes_no_reading() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "down", "down", "down", "enter", *"158")
        app.now_s += 0.5
        app.draw()
        assert "no fresh data" in await press(app, pilot, "enter")

    assert with_pane(Check(), body).asked == []


def test_enter_sends_the_proposed_offset_once() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "left +7.5 mm" in app.text()
        await press(app, pilot, "up", "enter")  # the last row
        assert app.asked == [Nudge(1, LEFT, 0.0075)]
        assert "sent already" in await press(app, pilot, "enter")
        await press(app, pilot, "escape", "down")
        assert len(app.asked) == 1
        app.known.take(beats(RIGHT_ONE, after=1))
        await press(app, pilot, "up", "enter")

    app = with_pane(Check(), body, made.hello(), *beats(OFF))
    assert app.asked == [Nudge(1, LEFT, 0.0075), Nudge(2, RIGHT, -0.0065)]


def test_without_a_check_there_is_no_offset() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "No check yet" in app.text()
        assert "There is no check yet" in await press(app, pilot, "up", "enter")

    assert with_pane(Check(), body).asked == []


def test_it_says_when_a_check_is_due() -> None:
    async def due(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "A CHECK IS DUE. At the pin." in app.text()
        app.now_s += 0.5
        assert "A CHECK IS DUE. STALE" in await press(app, pilot)

    async def not_due(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "No check is due." in app.text()

    options = Options(check_words="At the pin.")
    with_pane(Check(), due, made.hello(), *beats(WELL, due=True), options=options)
    with_pane(Check(), not_due, made.hello(), *beats(WELL))


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_result_and_table_are_on_the_screen(size: tuple[int, int]) -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = app.text()
        assert "2 checks in a row were beyond the tolerance of 5.0 mm." in text
        assert "cutting-edge wear and mounting." in text
        assert "spread sd 5.7 mm, 2 checks" in text  # of -1.5 and -9.5 mm: 8 / sqrt(2)
        assert "160.0 mm" in text

    with_pane(Check(), body, made.hello(), *beats(WELL, TWICE), size=size)


def test_a_long_table_is_paged() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert " 40 " in app.text()
        assert "\n   1 " not in app.text()
        text = await press(app, pilot, *["pagedown"] * 12)
        assert "the end is higher than the controller believed" in text
        assert " 40 " in await press(app, pilot, *["pageup"] * 12)

    with_pane(Check(), body, made.hello(), *beats(*[WELL] * 40))


def test_the_ends_can_be_clicked() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        lines = app.text().splitlines()
        y = next(n for n, line in enumerate(lines) if "Blade end" in line)
        await pilot.click(offset=(lines[y].index("[+]") + 1, y))
        text = await press(app, pilot)
        assert "right" in text.splitlines()[y]
        await pilot.click(offset=(lines[y + 3].index("type it"), y + 3))
        assert "at the right end" in await press(app, pilot)
        await press(app, pilot, *"150", "enter")

    assert with_pane(Check(), body).asked == [CheckLevel(1, RIGHT, pytest.approx(0.15), None)]


def test_in_the_dashboard_digits_go_into_the_field_and_space_to_the_valves() -> None:
    """The digits are the keys of the screens, but not while a reading is typed."""
    source = made.source()
    app = Dashboard(source, made.Clock(made.NOW + 0.02))

    async def run() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await pilot.press("x", "5")  # the cautions are read; the check screen
            await pilot.pause()
            await pilot.press("down", "down", "down", "enter", *"154", "enter")
            await pilot.pause()
            await pilot.press("enter", "4", "space")
            await pilot.pause()
            assert isinstance(app.focused, Check)

    asyncio.run(run())
    kinds = [type(request) for request in source.asked()]
    assert kinds == [CheckLevel, Disengage]
    (level, _) = source.asked()
    assert isinstance(level, CheckLevel)
    assert level.measured_m == pytest.approx(0.154)
