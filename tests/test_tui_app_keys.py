"""The dashboard as an app: what each key asks for, and what it does to the screen."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
import pytest
from tui_made import Clock, HandSource, beat, devices, end_tick, hello, host, source
from tui_scene import PANES, SIZE, Scene, after_keys, play

from firmware_py.link.frames import Bye, Drive, HoldEnable, Lever, Note, Stop
from firmware_py.messages import (
    AcceptTransition,
    Disengage,
    HoldEnd,
    Mark,
    MarkPin,
    Nudge,
    NudgeCrossfall,
    RefuseTransition,
    SetDatum,
    Side,
    Undo,
)
from tui.app import Dashboard
from tui.keys import ACTIONS, SCREENS, keys_with
from tui.options import Options

# --- targets ---


LEFT, RIGHT = Side.LEFT, Side.RIGHT


ASKED: list[tuple[str, list[object]]] = [
    ("up", [Nudge(0, LEFT, 0.002)]),
    ("down", [Nudge(0, LEFT, -0.002)]),
    ("tab up", [Nudge(0, RIGHT, 0.002)]),
    ("tab down", [Nudge(0, LEFT, -0.002), Nudge(0, RIGHT, -0.002)]),  # both
    ("d enter", [SetDatum(0, LEFT), SetDatum(0, RIGHT)]),
    ("tab up", [Nudge(0, LEFT, 0.002)]),  # and the left one again
    ("left", [NudgeCrossfall(0, -0.001)]),
    ("right", [NudgeCrossfall(0, 0.001)]),
    ("d enter", [SetDatum(0, LEFT)]),
    ("d f enter", []),
    ("h", [HoldEnd(0, LEFT, True)]),
    ("z", [Undo(0)]),
    ("p", [MarkPin(0)]),
    ("t", [RefuseTransition(0)]),
    ("m h i enter", [Mark(0, "hi")]),
    ("m enter", [Mark(0, "mark")]),
    ("w", [Drive(0, 0.0)]),  # it drives at 0.5 m/s
    ("w", [Drive(0, 0.5)]),
    ("i", [Lever(0, LEFT, 0.5)]),
    ("i", [Lever(0, LEFT, None)]),
    ("k", [Lever(0, LEFT, -0.5)]),
    ("l", [Lever(0, LEFT, None), Lever(0, RIGHT, None)]),
    ("o", [HoldEnable(0, False)]),
    ("o", [HoldEnable(0, True)]),
]
ASKED_ELSEWHERE: list[tuple[str, list[object]]] = [
    ("z", [Undo(0)]),
    ("h", [HoldEnd(0, LEFT, True)]),
    ("d", []),
    ("m h i enter", [Mark(0, "hi")]),
    ("o", [HoldEnable(0, False)]),
    ("l", [Lever(0, LEFT, None), Lever(0, RIGHT, None)]),
    ("up", []),  # walks in the pane, and moves no target
    ("down", []),
    ("tab", []),
]


def without_number(request: Any) -> Any:
    return msgspec.structs.replace(request, number=0)


@pytest.mark.parametrize(
    ("pane", "table"),
    [("1", ASKED), ("2", ASKED)] + [(pane, ASKED_ELSEWHERE) for pane in ("3", "4", "5")],
)
def test_what_each_key_asks_for(pane: str, table: list[tuple[str, list[object]]]) -> None:
    async def story(scene: Scene) -> None:
        await scene.press(pane)
        for keys, asked in table:
            scene.made.sent.clear()
            await scene.press(*keys.split())
            assert [without_number(request) for request in scene.asked()] == asked, keys

    play(story)


def test_along_a_job_its_keys_are_shown_and_a_mark_can_name_a_pin() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("1")
        assert "at pin" in scene.text()
        assert "accept" in scene.text()
        scene.made.sent.clear()
        await scene.press("t", "m", "p", "i", "n", "minus", "P", "3", "enter")
        asked = [without_number(request) for request in scene.asked()]
        assert asked == [AcceptTransition(0), MarkPin(0, "P3")]

    job = beat(chainage_m=24.3, chainage_sd_m=0.2, transition="refused")
    play(story, HandSource(hello(), devices(), host(), job))
    assert "at pin" not in after_keys("1").end_text


def test_a_held_end_is_let_go() -> None:
    made = HandSource(hello(), beat(left=end_tick(held=True)))
    assert after_keys("h", made=made).asked() == [HoldEnd(1, LEFT, False)]


def test_a_click_on_an_end_chooses_it() -> None:
    async def story(scene: Scene) -> None:
        await scene.click("RIGHT END")
        assert "[RIGHT END]" in scene.text()
        assert "end: right" in scene.text()
        await scene.press("up")
        assert scene.asked() == [Nudge(1, RIGHT, 0.002)]

    play(story)


def test_simulated_hands_do_nothing_on_a_real_rig() -> None:
    made = HandSource(hello(simulated=False), beat())
    assert after_keys("w", "i", "k", "l", "o", made=made).asked() == []


def test_who_only_looks_asks_for_nothing() -> None:
    made = HandSource(hello(may_ask=False), beat())
    scene = after_keys("up", "z", "e", "enter", made=made)
    assert scene.asked() == []
    assert "may only look" in scene.end_text


# --- the dashboard itself ---


def test_units_colours_and_mute() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("u")
        assert "-0.16 in, sd 0.03" in scene.text()
        before = scene.app.theme
        await scene.press("c")
        assert scene.app.theme != before
        await scene.press("c", "c")
        assert scene.app.theme == before
        await scene.press("s")
        assert scene.app.options.muted
        assert "s sound" in scene.text()
        assert scene.asked() == []

    play(story)


def test_the_sound_is_muted_with_the_key() -> None:
    class Heard:
        words = ""

        def __init__(self) -> None:
            self.orders: list[object] = []

        def set_volume(self, volume: float) -> None:
            self.orders.append(volume)

        def mute(self, on: bool) -> None:
            self.orders.append(on)

    heard = Heard()

    async def run() -> None:
        app = Dashboard(source(), clock=Clock(), sound=heard)
        async with app.run_test(size=SIZE) as pilot:
            await pilot.press("x", "s", "s")

    asyncio.run(run())
    assert heard.orders == [True, False]


def test_the_help_has_every_key_over_its_pages() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("question_mark")
        first = scene.text()
        await scene.press("question_mark")
        both = first + scene.text()
        for action in ACTIONS:
            assert action.more[:50] in both, action.name
        await scene.press("f")
        assert "LEFT END" in scene.text()

    play(story)


def test_an_action_on_the_page_of_keys_can_be_clicked() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("question_mark")
        await scene.click("Take the last change")
        assert scene.asked() == [Undo(1)]
        assert "LEFT END" in scene.text()

    play(story)


def test_screens_by_key_and_by_click() -> None:
    async def story(scene: Scene) -> None:
        for key, name in zip(PANES, SCREENS, strict=True):
            words = name.removeprefix("show_")
            await scene.click(f"{key} {words}")
            assert scene.app.pane == words
            await scene.press("1", key)
            assert scene.app.pane == words

    play(story)


def test_other_keys_from_the_options() -> None:
    options = Options(keys=keys_with({"undo": "f5", "hold_now": "f1"}))
    assert after_keys("f5", "z", "f1", "space", options=options).kinds() == [
        Undo, Disengage, Disengage,
    ]  # fmt: skip


def test_a_note_is_shown() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(Note("The string ends in 5 m."))
        await scene.turn()
        assert "The string ends in 5 m." in scene.text()

    play(story)


def test_leaving_lets_the_run_go_on() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("q")
        assert "enter: leave, the run goes on" in scene.text()
        await scene.pilot.press("enter")
        assert scene.asked() == []
        assert not scene.app.is_running or scene.app._exit

    play(story)


def test_stopping_the_run_is_asked_for_its_own() -> None:
    assert after_keys("q", "x").asked() == [Stop(1)]
    assert after_keys("q", "f", "x").asked() == []


def test_the_end_of_the_run_ends_the_dashboard() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(Bye("The loop ended: the time is up. Valves neutral."))
        scene.app.poll()
        assert scene.app.return_value == "The loop ended: the time is up. Valves neutral."

    play(story)
