"""The settings screen under keys and clicks; what its rows ask for is in test_tui_settings.py."""

import asyncio

import pytest
from textual.pilot import Pilot

from firmware_py.link.frames import Told
from firmware_py.messages import (
    Answer,
    Disengage,
    Guide,
    Nudge,
    NudgeCrossfall,
    SetDatum,
    SetGuide,
    Side,
    Undo,
)
from tests import tui_made as made
from tests.tui_panes import PaneApp, press, with_pane
from tui.app import Dashboard
from tui.keys import keys_with
from tui.options import Options
from tui.setting_rows import setting_rows
from tui.settings import Settings
from tui.units import System

NAMES = [row.name for row in setting_rows()]
LEFT, RIGHT = Side.LEFT, Side.RIGHT


def to(name: str) -> list[str]:
    """The keys to a row."""
    return ["down"] * NAMES.index(name)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_all_rows_are_on_the_screen(size: tuple[int, int]) -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = app.text()
        assert all(f"{name} " in text for name in NAMES)
        assert "-200.0 to 200.0 mm" in text
        assert ("take the present" in text) == (size[0] >= 120)

    with_pane(Settings(), body, size=size)


def test_arrows_choose_and_change() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, "down", "right", "minus", "up", "plus")
        assert "> Left height" in text

    app = with_pane(Settings(), body)
    assert app.asked == [Nudge(1, RIGHT, 0.002), Nudge(2, RIGHT, -0.002), Nudge(3, LEFT, 0.002)]


def test_a_value_is_typed_and_a_slip_is_told() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "Left height:" in await press(app, pilot, "enter")
        assert "yd is no unit" in await press(app, pilot, "7", "y", "d", "enter")
        assert app.asked == []
        await press(app, pilot, "backspace", "backspace", "enter")
        assert app.focused is app.pane

    app = with_pane(Settings(), body)
    assert app.asked == [Nudge(1, LEFT, pytest.approx(0.005))]


def test_escape_leaves_the_field_and_space_in_it_shuts_the_valves() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "enter", "7", "escape")
        assert app.focused is app.pane
        assert app.asked == []
        await press(app, pilot, "enter", "7", "space")
        assert app.focused is app.pane

    app = with_pane(Settings(), body)
    assert app.asked == [Disengage(1)]


def test_another_key_for_the_valves_works_in_the_field_as_well() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, "enter", "7", "f1", "enter", "7", "space")

    options = Options(keys=keys_with({"hold_now": "f1", "help": "f2"}))
    assert with_pane(Settings(), body, options=options).asked == [Disengage(1), Disengage(2)]


def test_a_datum_asks_twice() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "Press enter again" in await press(app, pilot, *to("Left datum"), "enter")
        assert "nothing was sent" in await press(app, pilot, "down")
        assert app.asked == []
        await press(app, pilot, "up", "enter")
        app.now_s += 3.1
        app.known.take([made.beat(app.now_s)])
        app.draw()
        await press(app, pilot, "enter")  # too late: it asks anew
        assert app.asked == []
        await press(app, pilot, "enter")

    app = with_pane(Settings(), body)
    assert app.asked == [SetDatum(1, LEFT)]


def test_what_waits_for_a_second_enter_is_not_sent_on_old_data() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, *to("Left datum"), "enter")
        app.now_s += 0.5
        app.draw()
        assert "no fresh data" in await press(app, pilot, "enter")

    assert with_pane(Settings(), body).asked == []


def test_a_guide_is_chosen_from_a_list() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        text = await press(app, pilot, *to("Right guide"), "enter")
        assert all(guide.value in text for guide in Guide)
        await press(app, pilot, "down", "enter")
        assert app.focused is app.pane
        await press(app, pilot, "enter", "escape")
        assert app.focused is app.pane

    app = with_pane(Settings(), body)
    assert app.asked == [SetGuide(1, RIGHT, Guide.HOLD)]  # the one after fall


def test_undo_says_what_it_would_take_back() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "nudge left +2.0 mm" in app.text()
        await press(app, pilot, *to("Undo"), "enter")

    frames = made.hello(), made.beat(undo="nudge left +2.0 mm")
    assert with_pane(Settings(), body, *frames).asked == [Undo(1)]


def test_the_controllers_refusal_is_shown_as_it_comes() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        app.known.take([Told(Answer(9, False, "an older refusal"))])
        assert "older" not in await press(app, pilot, "right")
        app.known.take([Told(Answer(1, False, "the offset would pass 200 mm"))])
        assert "Refused: the offset would pass 200 mm" in await press(app, pilot)
        assert "Refused" not in await press(app, pilot, "right")
        app.known.take([Told(Answer(2, True, ""))])
        assert "Refused" not in await press(app, pilot)

    with_pane(Settings(), body)


def test_old_values_are_marked_and_own_ones_are_not() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        assert "STALE" not in app.text()
        app.now_s += 0.4
        text = await press(app, pilot)
        stale = [line for line in text.splitlines() if "STALE" in line]
        assert len(stale) == 13
        assert not any("step" in line.split("STALE")[0] for line in stale)

    with_pane(Settings(), body)


def test_everything_can_be_clicked() -> None:
    async def click(app: PaneApp, pilot: Pilot[None], words: str, at: int = 0) -> None:
        lines = app.text().splitlines()
        y = next(n for n, line in enumerate(lines) if words in line)
        await pilot.click(offset=(at or lines[y].index(words), y))
        app.draw()
        await pilot.pause()

    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        lines = app.text().splitlines()
        minus = lines[2].index("[-]") + 1
        await click(app, pilot, "Right height", minus)
        await click(app, pilot, "Crossfall ", lines[3].index("[+]") + 1)
        await click(app, pilot, "152.0 mm")
        await click(app, pilot, "152.0 mm")  # a second click on the row confirms nothing
        assert len(app.asked) == 2
        await click(app, pilot, "[ confirm ]")
        await click(app, pilot, "Left height")
        assert "> Left height" in app.text()

    app = with_pane(Settings(), body)
    assert app.asked == [Nudge(1, RIGHT, -0.002), NudgeCrossfall(2, 0.001), SetDatum(3, LEFT)]


def test_the_steps_of_the_keys_are_the_apps_options() -> None:
    async def body(app: PaneApp, pilot: Pilot[None]) -> None:
        await press(app, pilot, *to("Height step"), "right")
        assert app.options.nudge_step_m == 0.005
        await press(app, pilot, *["up"] * NAMES.index("Height step"), "left")

    assert with_pane(Settings(), body).asked == [Nudge(1, LEFT, -0.005)]


def test_in_the_dashboard_the_arrows_choose_rows_and_nudge_nothing_else() -> None:
    """On other screens they raise and lower targets; here a row must be chosen first."""
    source = made.source()
    app = Dashboard(source, made.Clock(made.NOW + 0.02))

    async def run() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await pilot.press("x", "4")
            await pilot.pause()
            await pilot.press("down", "down", "right")
            await pilot.pause()
            await pilot.press("u")
            await pilot.pause()
            assert app.options.units.system is System.US

    asyncio.run(run())
    (asked,) = source.asked()
    assert isinstance(asked, NudgeCrossfall)
    assert asked.step == 0.001
