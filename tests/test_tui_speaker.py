"""The process that plays, its players on made-up time, and its command."""

from __future__ import annotations

import os
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.link.frames import Beat, Bye
from firmware_py.messages import Mode, Side
from tests.heard import TURN_S, WITHIN_S
from tests.heard import quiet_beat as level
from tests.tui_made import NOW, Clock, HandSource, hello
from tui.pin_sound import GpioPin, PinError, StandInPin
from tui.sound import (
    ALARM_HZ,
    ALARM_LEAST,
    ALARM_NOTE_S,
    BASE_HZ,
    CUE_FULL,
    PIP_S,
    Cues,
    alarm,
    blade,
    render,
    steering,
)
from tui.sound_pipe import COMMANDS
from tui.sound_players import RATE, PinPlayer, Player, Quiet, WavPlayer
from tui.speaker import Orders, Speaker, main

ROOT = Path(__file__).resolve().parent.parent


def samples_of(path: Path) -> np.ndarray:
    """Of a mono 16-bit file, full scale 1."""
    with wave.open(str(path), "rb") as file:
        kind = file.getnchannels(), file.getsampwidth(), file.getframerate()
        assert kind == (1, 2, RATE)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767


def onset_s(samples: np.ndarray) -> float:
    return float(np.flatnonzero(np.abs(samples) > 0.01)[0]) / RATE


def play(
    source: HandSource, player: Player, seconds: float,
    at: Callable[[float], list[Beat]], cues: Cues | None = None,
) -> Speaker:  # fmt: skip
    """A speaker's turns on made-up time; `at` gives the frames of each turn (s from NOW)."""
    clock = Clock()
    speaker = Speaker(source, cues or Cues(), player, clock)
    for k in range(round(seconds / TURN_S)):
        clock.now_s = NOW + k * TURN_S
        source.give(*at(k * TURN_S))
        speaker.turn()
    return speaker


# --- the speaker on made-up time ----------------------------------------------------


def test_neutral_is_in_the_file_within_200_ms_of_its_tick_muted_and_at_volume_0(
    tmp_path: Path,
) -> None:
    player = WavPlayer(tmp_path / "out.wav")
    play(
        HandSource(hello()), player, 3.0,
        lambda now: [level(NOW + now, mode=Mode.AUTO if now < 1.0 else Mode.NEUTRAL)],
        Cues(0.0, muted=True),
    )  # fmt: skip
    player.close()
    samples = samples_of(tmp_path / "out.wav")
    assert 1.0 <= onset_s(samples) <= 1.0 + WITHIN_S
    assert np.abs(samples).max() >= 0.99 * ALARM_LEAST


def test_neutral_between_two_automatic_ticks_of_one_poll_is_heard() -> None:
    pin = StandInPin(Clock())
    modes = [Mode.AUTO, Mode.NEUTRAL, Mode.AUTO]
    play(
        HandSource(), PinPlayer(pin, ""), 0.05,
        lambda now: [level(NOW, mode=mode) for mode in modes] if now == 0.0 else [],
    )  # fmt: skip
    assert pin.told[0][1] == ALARM_HZ[0]


def test_a_lost_link_sounds_and_then_the_speaker_is_done() -> None:
    clock, source = Clock(), HandSource(level(NOW))
    pin = StandInPin(clock)
    speaker = Speaker(source, Cues(), PinPlayer(pin, ""), clock)
    speaker.turn()
    assert not speaker.done
    source.lost = "The control loop has gone."
    speaker.turn()
    assert pin.told == [(NOW, ALARM_HZ[0])]
    assert not speaker.done
    clock.now_s += alarm(1.0).length_s + 0.3
    speaker.turn()
    assert pin.told[-1][1] == 0.0
    assert speaker.done


def test_a_run_that_ends_in_neutral_ends_in_silence() -> None:
    clock, source = Clock(), HandSource(level(NOW, mode=Mode.NEUTRAL), Bye("The run is over."))
    pin = StandInPin(clock)
    speaker = Speaker(source, Cues(), PinPlayer(pin, ""), clock)
    source.lost = "The run is over."
    speaker.turn()
    assert speaker.done
    assert pin.told == []


@pytest.mark.parametrize(
    ("order", "wrong"),
    [
        ("volume 0.25", ""),
        ("mute", ""),
        ("unmute", ""),
        ("volume 1.5", "between 0 and 1"),
        ("volume nan", "between 0 and 1"),
        ("volume loud", "loud"),
        ("volume", "unknown order"),
        ("mute now", "unknown order"),
        ("louder", "unknown order"),
    ],
)
def test_orders_are_done_or_told_what_is_wrong(order: str, wrong: str) -> None:
    speaker = Speaker(HandSource(), Cues(0.6), Quiet(""), Clock())
    said = speaker.obey(order)
    assert (wrong in said) if wrong else said == ""
    assert speaker.cues.volume == (0.25 if order == "volume 0.25" else 0.6)
    assert speaker.cues.muted == (order == "mute")
    speaker.obey("unmute")
    assert not speaker.cues.muted


def test_orders_come_in_pieces_and_end() -> None:
    read, write = os.pipe()
    os.set_blocking(read, False)
    orders = Orders(read)
    os.write(write, b"volume 0.")
    assert orders.read() == []
    os.write(write, b"4\nmute\nunm")
    assert orders.read() == ["volume 0.4", "mute"]
    assert orders.read() == []
    os.close(write)
    assert orders.read() == []
    assert orders.fd is None
    os.close(read)


# --- the pin ----------------------------------------------------


def test_a_pin_sounds_each_note_for_its_time_and_is_then_off() -> None:
    clock = Clock()
    pin = StandInPin(clock)
    player = PinPlayer(pin, "sound: GPIO 18")
    player.begin(blade(Side.LEFT, True, 0.5), clock())
    for k in range(40):
        clock.now_s = NOW + k * TURN_S
        player.step(clock())
    low, high = BASE_HZ[Side.LEFT], 783.99
    assert [hz for _, hz in pin.told] == pytest.approx([low, 0.0, high, 0.0], abs=0.01)
    times = [at - NOW for at, _ in pin.told]
    assert times == pytest.approx([0.0, 0.10, 0.13, 0.28], abs=TURN_S + 1e-9)


def test_the_alarm_cuts_a_cue_off_on_a_pin() -> None:
    clock = Clock()
    pin = StandInPin(clock)
    player = PinPlayer(pin, "")
    player.begin(steering(Side.RIGHT, 0.5), clock())
    clock.now_s += 0.03
    player.begin(alarm(0.0), clock())
    assert [hz for _, hz in pin.told] == [BASE_HZ[Side.RIGHT], ALARM_HZ[0]]
    clock.now_s += ALARM_NOTE_S + 0.001
    player.step(clock())
    assert pin.told[-1][1] == ALARM_HZ[1]


def test_a_pin_that_fails_is_told_and_stops_nobody() -> None:
    pin = StandInPin(Clock())
    player = PinPlayer(pin, "sound: GPIO 18")
    pin.broken = True
    player.begin(steering(Side.LEFT, 0.5), NOW)
    player.step(NOW + PIP_S)
    assert player.words == "no sound: the output pin failed (the pin is gone)"
    player.close()


@pytest.mark.parametrize("number", [1, 28])
def test_a_pin_that_the_header_has_not_is_refused(number: int) -> None:
    with pytest.raises(PinError, match=f"GPIO {number} is no pin"):
        GpioPin(number)


def test_gpiozero_makes_the_pitch_at_half_duty_and_nothing_when_off() -> None:
    """Against gpiozero's own mock of a pin with pulse-width modulation."""
    mock = pytest.importorskip("gpiozero.pins.mock", reason="gpiozero is not installed")
    factory = mock.MockFactory(pin_class=mock.MockPWMPin)
    pin, wire = GpioPin(18, factory), factory.pin(18)
    pin.on(BASE_HZ[Side.LEFT])
    assert (wire.frequency, wire.state) == (587, 0.5)
    pin.off()
    assert wire.state == 0
    pin.close()


# --- the command ----------------------------------------------------


def test_help_has_examples_and_names_every_sound() -> None:
    done = CliRunner().invoke(main, ["--help"])
    assert done.exit_code == 0
    words = " ".join(done.output.split())
    assert "--say" in words
    assert "python -m tui.speaker --wav out.wav" in words
    for sound in ("steer left", "lower right", "right lost its reference", "neutral"):
        assert sound in words


def test_what_is_said_into_a_file_is_those_samples(tmp_path: Path) -> None:
    path = tmp_path / "out.wav"
    done = CliRunner().invoke(main, ["--wav", str(path), "--say", "steer left,pause, neutral",
                                     "--volume", "1"])  # fmt: skip
    assert done.exit_code == 0, done.output
    samples = samples_of(path)
    first = np.array(render(steering(Side.LEFT, CUE_FULL), RATE)) / 32767
    assert samples[: len(first)] == pytest.approx(first)
    second = np.array(render(alarm(1.0), RATE)) / 32767
    begin = round((PIP_S + 0.25 + 0.5) * RATE)
    found = samples[begin - RATE // 20 :]
    shift = int(np.flatnonzero(found)[0]) - int(np.flatnonzero(second)[0])
    assert found[shift : shift + len(second)] == pytest.approx(second)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--say", "steer lft"], "did you mean steer left?"),
        (["--say", ""], "is no sound"),
        (["--volume", "1.2"], "1.2"),
        (["--pin", "40"], "40"),
        (["--pin", "18", "--wav", "a.wav"], "leave out --wav"),
        (["--wav", "no/such/folder/a.wav"], "No such file"),
        (["no-such-socket"], "no controller answers"),
    ],
)
def test_bad_input_is_told_with_exit_code_2(words: list[str], told: str) -> None:
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 2
    assert told in done.output


def test_no_player_installed_is_said_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    done = CliRunner().invoke(main, ["--say", "pause"])
    assert done.exit_code == 1
    assert done.output.startswith("no sound: none of aplay, pacat, pw-cat is installed")


def test_player_commands_say_rate_format_and_device() -> None:
    for name, make in COMMANDS:
        command = make("kitchen")
        assert command[0] == name
        words = " ".join(command).lower()
        assert "22050" in words
        assert "s16" in words
        assert "kitchen" in words
        assert "kitchen" not in " ".join(make(""))
