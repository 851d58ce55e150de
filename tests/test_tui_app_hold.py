"""The dashboard as an app: holding at once, and what is asked for with an enter."""

from __future__ import annotations

from typing import Any

import pytest
from textual.widgets import Input
from tui_made import HandSource, beat, hello, source
from tui_scene import PANES, Scene, after_keys, play

from firmware_py.messages import (
    Disengage,
    Engage,
    Undo,
)
from tui.app_actions import ENGAGE_WORDS, SURE_S

# --- hold now ---


def test_hold_now_works_on_every_pane_by_key_and_by_click() -> None:
    async def story(scene: Scene) -> None:
        for pane in (*PANES, "question_mark"):
            for key in ("space", "escape"):
                await scene.press(pane)
                scene.made.sent.clear()
                await scene.press(key)
                assert scene.kinds() == [Disengage], (pane, key)
            await scene.press(pane)
            scene.made.sent.clear()
            await scene.click("space HOLD NOW")
            assert scene.kinds() == [Disengage], pane

    play(story)


@pytest.mark.parametrize("key", ["space", "escape"])
def test_both_keys_hold_out_of_the_field_of_a_mark(key: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press("m", "a", "b", "e")
        assert scene.asked() == []
        assert scene.app.query_one("#note", Input).value == "abe"
        await scene.press(key)
        assert scene.kinds() == [Disengage]
        assert scene.app.focused is None

    play(story)


@pytest.mark.parametrize("key", ["space", "escape"])
def test_both_keys_hold_out_of_a_field_of_the_settings(key: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press("4", "enter", "1", "2")
        assert isinstance(scene.app.focused, Input)
        await scene.press(key)
        assert scene.kinds() == [Disengage]
        assert not isinstance(scene.app.focused, Input)

    play(story)


def test_a_hold_that_could_not_be_sent_is_sent_as_soon_as_it_can() -> None:
    class Busy(HandSource):
        busy = True

        def send(self, frame: Any) -> bool:
            return not self.busy and super().send(frame)

    made = Busy(hello(), beat())

    async def story(scene: Scene) -> None:
        await scene.press("space")
        assert "could not be sent" in scene.text()
        made.busy = False
        await scene.after(0.1)
        await scene.after(0.1)
        assert scene.kinds() == [Disengage]

    play(story, made)


def test_a_hold_without_an_answer_says_what_to_do() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("space")
        await scene.after(1.1)
        assert "HOLD NOW: no answer. Shut the hydraulics by hand." in scene.text()

    play(story, source(answer=None))


# --- engage, and what else is confirmed ---


@pytest.mark.parametrize("pane", ["1", "2"])
def test_engage_needs_enter(pane: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press(pane, "e")
        assert scene.asked() == []
        assert ENGAGE_WORDS in scene.text()
        await scene.press("enter")
        assert scene.kinds() == [Engage]
        assert "Engage: done" in scene.text()

    play(story)


def test_enter_within_three_seconds() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("e")
        await scene.after(SURE_S - 0.01)
        await scene.press("enter")
        assert scene.kinds() == [Engage]
        await scene.press("e")
        await scene.after(SURE_S + 0.01)
        assert ENGAGE_WORDS not in scene.text()
        await scene.press("enter")
        assert scene.kinds() == [Engage]

    play(story)


def test_a_late_enter_counts_for_nothing_even_before_the_next_poll() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("e")
        scene.clock.now_s += SURE_S + 0.01
        await scene.pilot.press("enter")
        assert scene.asked() == []

    play(story)


def test_anything_else_cancels_an_engagement() -> None:
    async def story(scene: Scene) -> None:
        for other in ("f", "2", "u", "question_mark", "f", "tab"):
            await scene.press("e", other, "enter")
            assert scene.asked() == [], other

    play(story)


def test_hold_now_while_engaging_holds() -> None:
    assert after_keys("e", "space", "enter").kinds() == [Disengage]
    assert after_keys("e", "escape", "enter").kinds() == [Disengage]


def test_engage_by_mouse_needs_two_places() -> None:
    async def story(scene: Scene) -> None:
        await scene.click("e engage")
        assert scene.asked() == []
        await scene.click("Press enter")
        assert scene.kinds() == [Engage]

    play(story)


def test_a_refusal_gives_its_reason() -> None:
    made = source(answer="the left end has no datum")
    text = after_keys("e", "enter", made=made).end_text
    assert "Engage: refused. the left end has no datum" in text


def test_no_answer_after_a_second_is_told() -> None:
    async def story(scene: Scene) -> None:
        await scene.press("z")
        assert "undo: sent" in scene.text()
        await scene.after(1.1)
        assert "undo: no answer" in scene.text()

    play(story, source(answer=None))


def test_numbers_of_requests_never_repeat() -> None:
    scene = after_keys("up", "up", "z", "space")
    numbers = [request.number for request in scene.asked()]  # type: ignore[attr-defined]
    assert len(set(numbers)) == len(numbers) == 4


def test_undo_of_a_datum_asks_first() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(beat(undo="datum left"))
        await scene.turn()
        await scene.press("z")
        assert scene.asked() == []
        await scene.press("enter")
        assert scene.kinds() == [Undo]

    play(story)
