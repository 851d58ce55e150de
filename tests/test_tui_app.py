"""The dashboard as an app: each key on each pane, what is asked, and what is shown then."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from textual.pilot import Pilot
from textual.widgets import Input
from tui_made import NOW, Clock, HandSource, beat, devices, end_tick, hello, host, source

from firmware_py.link.frames import Begin, Bye, Drive, FromLoop, HoldEnable, Lever, Note, Stop
from firmware_py.messages import (
    AcceptTransition,
    Disengage,
    Engage,
    HoldEnd,
    Mark,
    MarkPin,
    Mode,
    Nudge,
    NudgeCrossfall,
    RefuseTransition,
    SetDatum,
    Side,
    Undo,
)
from tui.__main__ import main
from tui.app import Dashboard
from tui.app_actions import ENGAGE_WORDS, SURE_S
from tui.keys import ACTIONS, SCREENS, keys_with
from tui.options import Options

PANES = ("1", "2", "3", "4", "5")
SIZE = (80, 24)


class Scene:
    """An app under test, with its source and its clock."""

    def __init__(self, app: Dashboard, pilot: Pilot[Any], made: HandSource, clock: Clock) -> None:
        self.app, self.pilot, self.made, self.clock = app, pilot, made, clock

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.turn()

    async def turn(self) -> None:
        """Poll and draw as the timer would."""
        self.app.poll()
        self.app.draw()
        await self.pilot.pause()
        self.app.draw()
        await self.pilot.pause()

    async def after(self, seconds: float) -> None:
        """Time passes and the loop goes on."""
        self.clock.now_s += seconds
        self.made.give(beat(self.clock.now_s))
        await self.turn()

    def asked(self) -> list[object]:
        return self.made.asked()

    def kinds(self) -> list[type]:
        return [type(request) for request in self.asked()]

    def text(self) -> str:
        """The whole screen as it is composed, without colours."""
        strips = self.app.screen._compositor.render_strips()
        return "\n".join(strip.text for strip in strips)

    def row(self, number: int) -> str:
        return self.text().split("\n")[number]

    async def click(self, words: str) -> None:
        """Click the first of these words on the screen."""
        for y, line in enumerate(self.text().split("\n")):
            if words in line:
                await self.pilot.click(offset=(line.index(words) + 1, y))
                await self.turn()
                return
        raise AssertionError(f"{words!r} is not on the screen")


Story = Callable[[Scene], Awaitable[None]]


def play(
    story: Story,
    made: HandSource | None = None,
    *,
    size: tuple[int, int] = SIZE,
    options: Options | None = None,
    past_cautions: bool = True,
) -> Scene:
    """Run a story over an app; past_cautions: the first key has been pressed."""
    clock, made = Clock(), made or source()
    app = Dashboard(made, clock=clock, options=options)
    kept: list[Scene] = []

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            scene = Scene(app, pilot, made, clock)
            kept.append(scene)
            await scene.turn()
            if past_cautions:
                await scene.press("x")
            await story(scene)

    asyncio.run(run())
    return kept[0]


def after_keys(*keys: str, made: HandSource | None = None, **more: Any) -> Scene:
    """The scene once these keys were pressed; the text is that of the end."""

    async def story(scene: Scene) -> None:
        await scene.press(*keys)
        scene.end_text = scene.text()  # type: ignore[attr-defined]

    return play(story, made, **more)


# --- the start ---


def test_the_cautions_stand_until_a_key_is_pressed() -> None:
    async def story(scene: Scene) -> None:
        text = scene.text()
        assert "prototype and certified by nobody" in text.replace("\n", " ")
        assert "Keep everybody away" in text
        assert "HOLD NOW" in text
        assert "LEFT END" not in text
        await scene.press("e")  # an action's key too does nothing but go on
        assert "LEFT END" in scene.text()
        assert scene.asked() == []

    play(story, past_cautions=False)


@pytest.mark.parametrize("key", ["space", "escape"])
def test_hold_now_works_while_the_cautions_stand(key: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press(key)
        assert scene.kinds() == [Disengage]
        assert "LEFT END" in scene.text()

    play(story, past_cautions=False)


def test_a_simulated_driver_may_begin_once_the_cautions_were_read() -> None:
    async def story(scene: Scene) -> None:
        assert scene.made.sent == []
        await scene.press("x")
        assert scene.made.sent == [Begin(0)]
        await scene.after(1.0)
        assert scene.made.sent == [Begin(0)]  # once

    play(story, past_cautions=False)


@pytest.mark.parametrize("changes", [{"simulated": False}, {"may_ask": False}])
def test_where_no_driver_waits_or_nothing_may_be_asked_nobody_is_told(
    changes: dict[str, Any],
) -> None:
    made = HandSource(hello(**changes), beat())

    async def story(scene: Scene) -> None:
        await scene.turn()
        assert scene.made.sent == []

    play(story, made)


def test_the_first_words_are_true_of_a_run_that_moves_already() -> None:
    words = {Mode.AUTO: "the blade moves already:", Mode.NEUTRAL: "Before anything moves:"}

    for mode, shown in words.items():
        tick = msgspec.structs.replace(beat().tick, mode=mode)
        made = HandSource(hello(), msgspec.structs.replace(beat(), tick=tick))

        async def story(scene: Scene, shown: str = shown) -> None:
            assert shown in scene.text()
            assert [one in scene.text() for one in words.values()].count(True) == 1

        play(story, made, past_cautions=False)


def test_what_is_typed_on_after_a_hold_out_of_a_note_does_nothing() -> None:
    """As somebody types "we go on" and enter: engage, drive on and enable are letters of it."""

    async def story(scene: Scene) -> None:
        await scene.press("m", "w", "e", "space")
        assert scene.kinds() == [Disengage]
        assert "Nothing was marked." in scene.text()
        await scene.press("o", "w", "e", "enter")
        scene.clock.now_s += 0.9
        await scene.press("e")
        assert scene.kinds() == [Disengage]
        assert ENGAGE_WORDS not in scene.text()
        await scene.press("space")  # never deaf to this
        assert scene.kinds() == [Disengage] * 2
        await scene.after(1.1)
        await scene.press("o")
        assert scene.kinds() == [Disengage] * 2 + [HoldEnable]

    play(story)


def test_a_click_takes_the_cautions_away() -> None:
    async def story(scene: Scene) -> None:
        await scene.click("Keep everybody away")
        assert "LEFT END" in scene.text()

    play(story, past_cautions=False)


# --- what always stands there ---


@pytest.mark.parametrize("pane", PANES)
def test_every_pane_has_mode_faults_caution_screens_and_keys(pane: str) -> None:
    text = after_keys(pane).end_text  # type: ignore[attr-defined]
    for words in ("AUTO", "No fault. Prototype, uncertified", "space HOLD NOW", "e engage",
                  "q leave", "? help", "w drive on", "o enable"):  # fmt: skip
        assert words in text, words
    assert f"[{pane} " in text.split("\n")[0]


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_the_screen_is_full_and_no_wider_than_the_terminal(size: tuple[int, int]) -> None:
    text = after_keys("1", size=size).end_text  # type: ignore[attr-defined]
    lines = text.split("\n")
    assert len(lines) == size[1]
    assert "HOLD NOW" in lines[-3] + lines[-2]
    for words in ("raise 4 mm", "lower 2 mm", "steer left 35 mm", "dead band", "crossfall 1.66 %"):
        assert words in text, words


def test_the_keys_of_the_simulated_rig_are_only_shown_on_one() -> None:
    made = HandSource(hello(simulated=False), devices(), host(), beat())
    assert "lever up" not in after_keys("1", made=made).end_text  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("mode", "why", "faults", "words"),
    [
        (Mode.NEUTRAL, "Not engaged.", (), ("NEUTRAL", "Not engaged.")),
        (Mode.CUE_ONLY, "Cues only: this rig has no valves.", (), ("CUE ONLY", "no valves")),
        (Mode.NEUTRAL, "Enable is not held. Hold it, then engage.", ("enable released",),
         ("Enable is not held. Hold it, then engage.",)),
        (Mode.AUTO, "", ("samples dropped",), ("AUTO", "Some samples were refused.")),
        (Mode.NEUTRAL, "", ("inertial silent", "air silent"),
         ("No signal from the inertial sensor.", "2 faults: see 3")),
    ],
)  # fmt: skip
def test_mode_why_and_faults_in_words(
    mode: Mode, why: str, faults: tuple[str, ...], words: tuple[str, ...]
) -> None:
    made = HandSource(hello(), beat(mode=mode, why=why, faults=faults))
    head = after_keys("1", made=made).end_text.split("\n")[:2]  # type: ignore[attr-defined]
    for word in words:
        assert word in "\n".join(head), word


# --- hold now ---


@pytest.mark.parametrize("pane", [*PANES, "question_mark"])
def test_hold_now_works_on_every_pane_by_key_and_by_click(pane: str) -> None:
    async def story(scene: Scene) -> None:
        for key in ("space", "escape"):
            await scene.press(pane)
            scene.made.sent.clear()
            await scene.press(key)
            assert scene.kinds() == [Disengage], key
        await scene.press(pane)
        scene.made.sent.clear()
        await scene.click("space HOLD NOW")
        assert scene.kinds() == [Disengage]

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
    text = after_keys("e", "enter", made=made).end_text  # type: ignore[attr-defined]
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
    assert "at pin" not in after_keys("1").end_text  # type: ignore[attr-defined]


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
    assert "may only look" in scene.end_text  # type: ignore[attr-defined]


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


# --- old data ---


@pytest.mark.parametrize("pane", PANES)
def test_stale_data_has_a_banner_on_every_pane(pane: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press(pane)
        assert "STALE" not in scene.text()
        scene.clock.now_s += 0.31
        await scene.turn()
        lines = scene.text().split("\n")
        assert "STALE: was AUTO" in lines[0]
        assert lines[2].startswith(" STALE DATA: no tick from the loop for 0.3 s")
        scene.made.give(beat(scene.clock.now_s))
        await scene.turn()
        assert "STALE" not in scene.text()

    play(story)


@pytest.mark.parametrize("pane", PANES)
def test_a_lost_link_has_a_banner_on_every_pane(pane: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.press(pane)
        scene.made.lost = "The control loop has gone. The valves' lease shuts them."
        await scene.turn()
        banner = scene.text().split("\n")[2]
        assert banner.startswith(" LINK LOST: The control loop has gone.")
        assert "STALE: was AUTO" in scene.row(0)

    play(story)


def test_a_recording_that_stopped_has_a_banner() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(host(recording="the disk is full"))
        await scene.turn()
        assert scene.row(2).startswith(" RECORDING STOPPED: the disk is full")
        assert "STALE" not in scene.text()

    play(story)


def test_without_any_tick_it_says_that_it_waits() -> None:
    text = after_keys("1", made=HandSource(hello())).end_text  # type: ignore[attr-defined]
    assert "NO DATA YET" in text
    assert "STARTING" in text


def test_with_a_banner_all_that_matters_still_stands_on_80_by_24() -> None:
    frames: list[FromLoop] = [hello(), beat(NOW), host(recording="the disk is full")]
    text = after_keys("1", made=HandSource(*frames)).end_text  # type: ignore[attr-defined]
    for words in ("RECORDING STOPPED", "raise 4 mm", "lower 2 mm", "steer left 35 mm", "1 row",
                  "valve +31 %", "crossfall 1.66 %", "below target", "HOLD NOW"):  # fmt: skip
        assert words in text, words


def test_the_banner_is_as_wide_as_the_screen() -> None:
    async def story(scene: Scene) -> None:
        scene.clock.now_s += 1.0
        await scene.turn()
        runs = scene.app.query_one("#head").lines()[2]  # type: ignore[attr-defined]
        assert len(runs) == SIZE[0]

    play(story)


# --- the command ---


def test_no_loop_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "none")]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "no controller answers at" in said.err


def test_wrong_options_are_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "options.toml"
    path.write_text('theme = "pink"\n')
    assert main([str(tmp_path / "none"), "--options", str(path)]) == 2
    assert "theme" in capsys.readouterr().err


def test_on_old_data_only_what_ends_motion_is_sent() -> None:
    async def story(scene: Scene) -> None:
        scene.clock.now_s += 1.0
        await scene.turn()
        await scene.press("up", "h", "e", "enter")
        assert scene.asked() == []
        assert "could not be sent. What you see is old." in scene.text()
        await scene.press("space")
        assert scene.kinds() == [Disengage]

    play(story)


def test_the_end_of_the_run_ends_the_dashboard() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(Bye("The loop ended: the time is up. Valves neutral."))
        scene.app.poll()
        assert scene.app.return_value == "The loop ended: the time is up. Valves neutral."

    play(story)


def test_undo_of_a_datum_asks_first() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(beat(undo="datum left"))
        await scene.turn()
        await scene.press("z")
        assert scene.asked() == []
        await scene.press("enter")
        assert scene.kinds() == [Undo]

    play(story)
