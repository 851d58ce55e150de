"""The alarm that nothing turns off, and that no sound has a click."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from scipy import fft

from firmware_py.link.frames import FRESH_S
from firmware_py.messages import SIDES, Mode, Side, Tick
from tests.heard import (
    RATE,
    TURN_S,
    WITHIN_S,
    always,
    hear,
    level,
    notes,
    onset_s,
    quiet,
    then,
)
from tests.tui_made import NOW
from tui.sound import (
    ALARM_AGAIN_S,
    ALARM_HZ,
    ALARM_LEAST,
    BASE_HZ,
    BLADE_PACE,
    CUE_FULL,
    GAP_S,
    STEER_PACE,
    Cues,
    Signal,
    alarm,
    blade,
    no_reference,
    render,
    steering,
)
from tui.sound_players import Voice


@pytest.mark.parametrize("volume", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("muted", [False, True])
@pytest.mark.parametrize("mode", [Mode.NEUTRAL, Mode.CUE_ONLY])
def test_the_end_of_automatic_is_heard_in_time_whatever_mute_and_volume(
    volume: float, muted: bool, mode: Mode
) -> None:
    samples, _ = hear(Cues(volume, muted=muted), then(mode, 1.0), 3.0)
    assert 1.0 <= onset_s(samples) <= 1.0 + WITHIN_S
    assert np.abs(samples).max() >= ALARM_LEAST * 0.99
    assert np.abs(samples).max() > CUE_FULL * volume  # above the loudest cue


def test_a_cue_only_rig_that_turns_neutral_is_heard() -> None:
    samples, _ = hear(Cues(), then(Mode.NEUTRAL, 1.0, before=Mode.CUE_ONLY), 2.0)
    assert 1.0 <= onset_s(samples) <= 1.0 + WITHIN_S


@pytest.mark.parametrize("mode", [Mode.NEUTRAL, Mode.AUTO, Mode.CUE_ONLY])
def test_no_alarm_without_a_change(mode: Mode) -> None:
    assert not hear(Cues(), always(mode=mode), 3.0)[0].any()


def test_no_alarm_when_automatic_begins() -> None:
    samples, _ = hear(Cues(), then(Mode.AUTO, 1.0, before=Mode.NEUTRAL), 3.0)
    assert not samples.any()


@pytest.mark.parametrize("mode", [Mode.AUTO, Mode.CUE_ONLY])
def test_ticks_that_stop_are_heard_in_time_even_when_muted(mode: Mode) -> None:
    def at(now: float) -> Tick | None:
        return quiet(NOW + now, mode=mode) if now < 1.0 else None

    samples, begun = hear(Cues(0.0, muted=True), at, 8.0)
    last = 1.0 - TURN_S
    assert last + FRESH_S <= onset_s(samples) <= last + FRESH_S + WITHIN_S
    assert len(begun) == 1


def test_ticks_that_pause_for_less_are_no_alarm() -> None:
    samples, _ = hear(Cues(), lambda now: quiet(NOW + now) if not 1.0 <= now < 1.28 else None, 3.0)
    assert not samples.any()


def test_a_lost_link_is_heard_in_time_even_when_muted() -> None:
    samples, begun = hear(
        Cues(0.0, muted=True), lambda now: quiet(NOW + now) if now < 1.0 else None, 4.0, lost_at=1.0
    )
    assert 1.0 <= onset_s(samples) <= 1.0 + WITHIN_S
    assert len(begun) == 1


def test_in_neutral_a_lost_link_is_no_change() -> None:
    samples, _ = hear(
        Cues(), lambda now: quiet(NOW + now, mode=Mode.NEUTRAL) if now < 1.0 else None, 3.0
    )
    assert not samples.any()


def test_neutral_for_one_tick_alone_is_heard() -> None:
    samples, begun = hear(
        Cues(), lambda now: quiet(NOW + now, mode=Mode.NEUTRAL if now == 1.0 else Mode.AUTO), 3.0
    )
    assert 1.0 <= onset_s(samples) <= 1.0 + WITHIN_S
    assert len(begun) == 1


def test_every_change_has_the_alarm_sounding_for_half_a_second_after_it() -> None:
    """Changes every 0.3 s, so that most fall into a running alarm."""
    changes = [1.0 + 0.3 * k for k in range(20)]

    def at(now: float) -> Tick:
        near = any(-1e-9 < now - change < 0.05 for change in changes)
        return quiet(NOW + now, mode=Mode.NEUTRAL if near else Mode.AUTO)

    samples, _ = hear(Cues(muted=True), at, 10.0)
    for change in changes:
        begin = round((change + WITHIN_S) * RATE)
        window = samples[begin : begin + round((ALARM_AGAIN_S - WITHIN_S) * RATE)]
        assert np.abs(window).max() >= ALARM_LEAST * 0.99


def test_the_alarm_cuts_a_cue_off_and_no_cue_runs_into_it() -> None:
    def at(now: float) -> Tick:
        off = level(cue_m=0.2, in_dead_band=False)
        mode = Mode.AUTO if now < 0.05 else Mode.NEUTRAL
        return quiet(NOW + now, left=off, steer_m=0.3, mode=mode)

    samples, begun = hear(Cues(), at, 4.0)
    assert [signal.words for _, signal in begun[:2]] == ["steer left", "neutral"]
    assert begun[1][0] == pytest.approx(0.05)
    assert begun[2][0] >= 0.05 + alarm(1.0).length_s + GAP_S - 1e-9
    found = notes(samples[round(0.06 * RATE) : round(0.12 * RATE)])
    assert found[0][2] == pytest.approx(ALARM_HZ[0], abs=10.0)


@given(
    modes=some.lists(
        some.tuples(some.sampled_from(Mode), some.integers(1, 80)), min_size=2, max_size=12
    ),
    volume=some.floats(0.0, 1.0),
    muted=some.booleans(),
)
def test_whatever_the_modes_do_each_end_of_automatic_is_heard(
    modes: list[tuple[Mode, int]], volume: float, muted: bool
) -> None:
    course = [mode for mode, turns in modes for _ in range(turns)]
    course += [course[-1]] * 40
    samples, _ = hear(
        Cues(volume, muted=muted),
        lambda now: quiet(NOW + now, mode=course[round(now / TURN_S)]),
        len(course) * TURN_S,
    )
    for k in range(1, len(course) - 40):
        if course[k - 1] is Mode.AUTO and course[k] is not Mode.AUTO:
            begin = round(k * TURN_S * RATE)
            window = samples[begin : begin + round(WITHIN_S * RATE)]
            assert np.abs(window).max() >= ALARM_LEAST * 0.99
    assert np.abs(samples).max() <= 1.0


EVERY = [
    *(steering(side, CUE_FULL) for side in SIDES),
    *(blade(side, up, CUE_FULL) for side in SIDES for up in (True, False)),
    *(no_reference(side, CUE_FULL) for side in SIDES),
    alarm(1.0),
]


@pytest.mark.parametrize("signal", EVERY, ids=lambda signal: signal.words)
def test_a_sound_has_no_click(signal: Signal) -> None:
    """A click is broad: 400 Hz from all pitches, less than a thousandth of the power remains."""
    samples = np.array(render(signal, RATE), float) / 32767
    assert samples[0] == samples[-1] == 0.0
    power = np.abs(fft.rfft(samples, 4 * RATE)) ** 2
    at = fft.rfftfreq(4 * RATE, 1 / RATE)
    hz = {note.frequency_hz for note in signal.notes if note.frequency_hz}
    far = np.min([np.abs(at - one) for one in hz], axis=0) > 400.0
    assert power[far].sum() < 1e-3 * power.sum()


def test_the_click_test_hears_a_click() -> None:
    """The same sine cut off square leaves more than that."""
    samples = np.sin(2 * np.pi * 587.0 * np.arange(round(0.09 * RATE)) / RATE + 1.0)
    power = np.abs(fft.rfft(samples, 4 * RATE)) ** 2
    far = np.abs(fft.rfftfreq(4 * RATE, 1 / RATE) - 587.0) > 400.0
    assert power[far].sum() > 1e-3 * power.sum()


@pytest.mark.parametrize("cut_at", [0.0137, 0.0250, 0.0377, 0.0441, 0.0601])
def test_a_sound_that_is_cut_off_makes_no_step(cut_at: float) -> None:
    """Round the cut no step is larger than the cue's own steepest, and a little for its fade."""
    voice = Voice(RATE)
    voice.begin(steering(Side.RIGHT, CUE_FULL))
    before = voice.take(round(cut_at * RATE))
    voice.begin(alarm(1.0))
    samples = np.array(before + voice.take(round(0.0065 * RATE)), float) / 32767
    steepest = CUE_FULL * 2 * math.pi * BASE_HZ[Side.RIGHT] / RATE
    assert np.abs(np.diff(samples)).max() < steepest * 1.1


def test_intervals_are_monotone_and_within_their_limits() -> None:
    for pace in (STEER_PACE, BLADE_PACE):
        intervals = [pace.interval_s(off) for off in np.linspace(-0.3, 0.0, 200)]
        assert all(a <= b + 1e-12 for a, b in pairwise(intervals))
        assert min(intervals) == pytest.approx(pace.quick_s)
        assert max(intervals) == pytest.approx(pace.slow_s)
