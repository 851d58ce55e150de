"""The dashboard as an app: its start, what always stands there, old data, the command."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from tui_made import NOW, HandSource, beat, devices, hello, host
from tui_scene import PANES, SIZE, Scene, after_keys, play

from firmware_py.link.frames import Begin, FromLoop, HoldEnable
from firmware_py.messages import (
    Disengage,
    Mode,
)
from tui.__main__ import main
from tui.app_actions import ENGAGE_WORDS

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


def test_every_pane_has_mode_faults_caution_screens_and_keys() -> None:
    async def story(scene: Scene) -> None:
        for pane in PANES:
            await scene.press(pane)
            text = scene.text()
            for words in ("AUTO", "No fault. Prototype, uncertified", "space HOLD NOW", "e engage",
                          "q leave", "? help", "w drive on", "o enable"):  # fmt: skip
                assert words in text, (pane, words)
            assert f"[{pane} " in text.split("\n")[0]

    play(story)


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 60)])
def test_the_screen_is_full_and_no_wider_than_the_terminal(size: tuple[int, int]) -> None:
    text = after_keys("1", size=size).end_text
    lines = text.split("\n")
    assert len(lines) == size[1]
    assert "HOLD NOW" in lines[-3] + lines[-2]
    for words in ("raise 4 mm", "lower 2 mm", "steer left 35 mm", "dead band", "crossfall 1.66 %"):
        assert words in text, words


def test_the_keys_of_the_simulated_rig_are_only_shown_on_one() -> None:
    made = HandSource(hello(simulated=False), devices(), host(), beat())
    assert "lever up" not in after_keys("1", made=made).end_text


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
    head = after_keys("1", made=made).end_text.split("\n")[:2]
    for word in words:
        assert word in "\n".join(head), word


# --- old data ---


def test_stale_data_has_a_banner_on_every_pane() -> None:
    async def story(scene: Scene) -> None:
        for pane in PANES:
            await scene.press(pane)
            assert "STALE" not in scene.text(), pane
            scene.clock.now_s += 0.31
            await scene.turn()
            lines = scene.text().split("\n")
            assert "STALE: was AUTO" in lines[0], pane
            assert lines[2].startswith(" STALE DATA: no tick from the loop for 0.3 s"), pane
            scene.made.give(beat(scene.clock.now_s))
            await scene.turn()
            assert "STALE" not in scene.text(), pane

    play(story)


def test_a_lost_link_has_a_banner_on_every_pane() -> None:
    async def story(scene: Scene) -> None:
        assert "LINK LOST" not in scene.text()
        scene.made.lost = "The control loop has gone. The valves' lease shuts them."
        for pane in PANES:
            await scene.press(pane)
            assert f"[{pane} " in scene.row(0)
            assert scene.row(2).startswith(" LINK LOST: The control loop has gone."), pane
            assert "STALE: was AUTO" in scene.row(0), pane

    play(story)


def test_a_recording_that_stopped_has_a_banner() -> None:
    async def story(scene: Scene) -> None:
        scene.made.give(host(recording="the disk is full"))
        await scene.turn()
        assert scene.row(2).startswith(" RECORDING STOPPED: the disk is full")
        assert "STALE" not in scene.text()

    play(story)


def test_without_any_tick_it_says_that_it_waits() -> None:
    text = after_keys("1", made=HandSource(hello())).end_text
    assert "NO DATA YET" in text
    assert "STARTING" in text


def test_with_a_banner_all_that_matters_still_stands_on_80_by_24() -> None:
    frames: list[FromLoop] = [hello(), beat(NOW), host(recording="the disk is full")]
    text = after_keys("1", made=HandSource(*frames)).end_text
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
