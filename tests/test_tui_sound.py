"""What the cues sound like: pitches, silence, pace, volume."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py.link.frames import FRESH_S
from firmware_py.messages import SIDES, EndState, EndTick, Guide, Mode, Side, Tick
from tests.heard import (
    RATE,
    TURN_S,
    always,
    hear,
    level,
    notes,
    onset_s,
    pitch,
    quiet,
)
from tests.tui_made import NOW
from tui.sound import (
    ALARM_HZ,
    BASE_HZ,
    BLADE_PACE,
    CUE_FULL,
    GAP_S,
    LED_WAIT_S,
    STEER_OFF_M,
    UPPER_HZ,
    Cues,
    alarm,
    blade,
    render,
)
from tui.sound_players import Voice


def test_pitches_are_those_of_equal_temperament() -> None:
    """Published tables at A4 = 440 Hz (ISO 16:1975), to 1 Hz: D5 587, F6 1397 and so on."""
    assert [round(hz) for hz in BASE_HZ.values()] == [587, 1397]
    assert [round(hz) for hz in UPPER_HZ.values()] == [784, 1865]
    assert [round(hz) for hz in ALARM_HZ] == [1047, 2093]


def test_pitches_lie_where_the_standard_wants_them_and_well_apart() -> None:
    """500 to 3000 Hz: MIL-STD-1472E, 5.3.3.1.1. Apart: at least a minor third, a ratio of 6/5."""
    every = sorted([*BASE_HZ.values(), *UPPER_HZ.values(), *ALARM_HZ])
    assert every[0] >= 500.0
    assert every[-1] <= 3000.0
    lefts, rights = [[hz[side] for hz in (BASE_HZ, UPPER_HZ)] for side in SIDES]
    assert max(lefts) * 1.5 < min(rights)
    for cue in (*lefts, *rights):
        assert all(abs(math.log2(cue / hz)) > math.log2(1.1) for hz in ALARM_HZ)
    assert BASE_HZ[Side.RIGHT] / BASE_HZ[Side.LEFT] != pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize(("steer_m", "side"), [(0.05, Side.LEFT), (-0.05, Side.RIGHT)])
def test_steering_is_one_pip_whose_pitch_says_the_side(steer_m: float, side: Side) -> None:
    samples, _ = hear(Cues(), always(steer_m=steer_m), 0.5)
    (found,) = notes(samples)
    assert found[2] == pytest.approx(BASE_HZ[side], abs=2.0)
    assert found[0] < 0.02
    assert found[1] == pytest.approx(0.09, abs=0.015)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("cue_m", "up"), [(0.004, True), (-0.004, False)])
def test_a_rising_pair_raises_and_a_falling_pair_lowers(side: Side, cue_m: float, up: bool) -> None:
    off = level(cue_m=cue_m, in_dead_band=False)
    samples, _ = hear(Cues(), always(**{side.value: off}), 1.2)
    first, second = (one[2] for one in notes(samples))
    low, high = BASE_HZ[side], UPPER_HZ[side]
    assert first == pytest.approx(low if up else high, abs=2.0)
    assert second == pytest.approx(high if up else low, abs=2.0)


def test_the_alarm_has_a_melody_of_its_own_for_half_a_second_and_more() -> None:
    """At least 0.5 s: MIL-STD-1472E, 5.3.6.5."""
    samples = np.array(render(alarm(0.5), RATE), float) / 32767
    bursts = notes(samples)  # its notes follow each other without a rest
    assert len(bursts) == 2
    for begin_s, length_s, _ in bursts:
        assert length_s >= 0.5
        for k in range(8):
            begin = round((begin_s + 0.07 * k) * RATE)
            note = samples[begin : begin + round(0.07 * RATE)]
            assert pitch(note) == pytest.approx(ALARM_HZ[k % 2], abs=8.0)


def test_on_line_and_on_level_nothing_is_heard() -> None:
    samples, _ = hear(Cues(), always(), 3.0)
    assert not samples.any()


@pytest.mark.parametrize(
    "end",
    [
        level(cue_m=0.0, in_dead_band=False),
        level(cue_m=0.004, in_dead_band=True),
        level(cue_m=None, in_dead_band=False),
        level(cue_m=math.nan, in_dead_band=False),
    ],
)
def test_an_end_in_its_dead_band_or_unknown_gives_no_cue(end: EndTick) -> None:
    samples, _ = hear(Cues(), always(left=end, right=end), 3.0)
    assert not samples.any()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_steering_is_silent_up_to_its_tolerance_and_heard_beyond(sign: float) -> None:
    at, beyond = sign * STEER_OFF_M, sign * (STEER_OFF_M + 1e-4)
    assert not hear(Cues(), always(steer_m=at), 3.0)[0].any()
    assert hear(Cues(), always(steer_m=beyond), 0.5)[0].any()
    assert not hear(Cues(), always(steer_m=None), 3.0)[0].any()
    assert not hear(Cues(), always(steer_m=math.nan), 3.0)[0].any()


def test_silence_comes_with_the_dead_band_once_the_pair_under_way_has_ended() -> None:
    def at(now: float) -> Tick:
        off = level(cue_m=0.01, in_dead_band=False)
        return quiet(NOW + now, left=off if now < 4.0 else level())

    samples, _ = hear(Cues(), at, 8.0)
    assert notes(samples)
    assert not samples[round((4.0 + blade(Side.LEFT, True, 1.0).length_s) * RATE) :].any()


@pytest.mark.parametrize(("mode", "speed", "heard"), [
    (Mode.NEUTRAL, 0.0, False),
    (Mode.NEUTRAL, None, True),
    (Mode.NEUTRAL, 0.3, True),
    (Mode.AUTO, 0.0, True),
    (Mode.CUE_ONLY, 0.0, True),
])  # fmt: skip
def test_cues_in_every_mode_but_not_while_standing_in_neutral(
    mode: Mode, speed: float | None, heard: bool
) -> None:
    samples, _ = hear(Cues(), always(mode=mode, speed_mps=speed, steer_m=0.1), 2.0)
    assert samples.any() == heard


def test_stale_ticks_give_no_cue() -> None:
    cues = Cues()
    old = quiet(NOW, mode=Mode.NEUTRAL, steer_m=0.1, speed_mps=None)
    assert cues.update(old, NOW + FRESH_S + 0.01) is None


@pytest.mark.parametrize(
    ("state", "begins_s"),
    [(EndState.LED, LED_WAIT_S), (EndState.CUE, 0.0), (EndState.OVERRIDE, 0.0)],
)
def test_an_end_that_the_loop_leads_has_half_a_second_to_come_back(
    state: EndState, begins_s: float
) -> None:
    off = level(cue_m=0.01, in_dead_band=False, state=state)
    samples, _ = hear(Cues(), always(left=off), 1.5)
    assert onset_s(samples) == pytest.approx(begins_s, abs=2 * TURN_S)


def test_an_end_that_the_loop_brings_back_each_time_is_silent() -> None:
    """0.4 s too low, 0.4 s too high, and so on; and out and in again."""

    def swings(now: float) -> Tick:
        cue_m = 0.005 if now % 0.8 < 0.4 else -0.005
        return quiet(NOW + now, left=level(cue_m=cue_m, in_dead_band=False, state=EndState.LED))

    def returns(now: float) -> Tick:
        off = level(cue_m=0.005, in_dead_band=now % 0.5 >= 0.4, state=EndState.LED)
        return quiet(NOW + now, left=off)

    assert not hear(Cues(), swings, 5.0)[0].any()
    assert not hear(Cues(), returns, 5.0)[0].any()


@pytest.mark.parametrize(
    ("steer_m", "interval_s"), [(0.021, 1.49), (0.06, 1.0), (0.1, 0.5), (5.0, 0.5)]
)
def test_steering_pips_come_faster_when_further_off_within_limits(
    steer_m: float, interval_s: float
) -> None:
    samples, _ = hear(Cues(), always(steer_m=steer_m), 10.0)
    begins = [one[0] for one in notes(samples)]
    assert np.diff(begins) == pytest.approx(interval_s, abs=2 * TURN_S)


@pytest.mark.parametrize(("cue_m", "interval_s"), [(-0.002, 2.0), (0.011, 1.45), (0.3, 0.9)])
def test_pairs_come_faster_when_further_off_within_limits(cue_m: float, interval_s: float) -> None:
    off = level(cue_m=cue_m, in_dead_band=False)
    _, begun = hear(Cues(), always(right=off), 10.0)
    assert np.diff([at for at, _ in begun]) == pytest.approx(interval_s, abs=2 * TURN_S)


def test_with_all_three_far_off_none_is_left_out_and_it_is_no_drone() -> None:
    off = level(cue_m=0.2, in_dead_band=False)
    samples, begun = hear(Cues(), always(left=off, right=off, steer_m=-0.3), 30.0)
    counts = {words: sum(s.words == words for _, s in begun) for words in
              ("raise left", "raise right", "steer right")}  # fmt: skip
    assert min(counts.values()) >= 15
    assert sum(counts.values()) / 30.0 <= 3.0
    assert np.mean(np.abs(samples) > 0.001) < 0.55
    ends = [at + signal.length_s for at, signal in begun]
    gaps = [b - e for (b, _), e in zip(begun[1:], ends, strict=False)]
    assert min(gaps) >= GAP_S - 1e-9


def test_an_end_that_flickers_at_its_dead_band_keeps_the_slow_pace() -> None:
    def at(now: float) -> Tick:
        off = level(cue_m=0.002, in_dead_band=False, state=EndState.CUE)
        return quiet(NOW + now, left=off if round(now / TURN_S) % 2 else level())

    _, begun = hear(Cues(), at, 20.0)
    assert len(begun) <= 20.0 / BLADE_PACE.slow_s + 1


def test_an_end_that_loses_its_reference_is_heard_once_as_a_long_note() -> None:
    def at(now: float) -> Tick:
        lost = level(cue_m=None, in_dead_band=False)
        return quiet(NOW + now, right=level() if now < 1.0 else lost)

    (found,) = notes(hear(Cues(), at, 6.0)[0])
    assert found[0] == pytest.approx(1.0, abs=0.02)
    assert found[1] == pytest.approx(0.4, abs=0.02)
    assert found[2] == pytest.approx(BASE_HZ[Side.RIGHT], abs=2.0)


def test_a_reference_found_again_before_its_loss_could_be_told_is_not_told() -> None:
    def at(now: float) -> Tick:
        lost = level(cue_m=None, in_dead_band=False)
        mode = Mode.AUTO if now < 1.0 else Mode.NEUTRAL
        return quiet(NOW + now, mode=mode, right=lost if 1.0 <= now < 1.5 else level())

    _, begun = hear(Cues(), at, 6.0)
    assert [signal.words for _, signal in begun] == ["neutral"]


@pytest.mark.parametrize("guide", [Guide.HOLD, Guide.BY_HAND])
def test_an_end_put_by_hand_has_lost_nothing(guide: Guide) -> None:
    def at(now: float) -> Tick:
        by_hand = level(cue_m=None, guide=guide)
        return quiet(NOW + now, right=level() if now < 1.0 else by_hand)

    assert not hear(Cues(), at, 4.0)[0].any()


@pytest.mark.parametrize("volume", [0.1, 0.5, 1.0])
def test_volume_is_the_amplitude_of_the_cues(volume: float) -> None:
    samples, _ = hear(Cues(volume), always(steer_m=0.1), 1.0)
    assert np.abs(samples).max() == pytest.approx(CUE_FULL * volume, rel=0.02)


@pytest.mark.parametrize(("volume", "muted"), [(0.0, False), (0.7, True)])
def test_mute_and_volume_0_silence_the_cues(volume: float, muted: bool) -> None:
    off = level(cue_m=0.1, in_dead_band=False)
    samples, _ = hear(Cues(volume, muted=muted), always(left=off, steer_m=0.1), 4.0)
    assert not samples.any()


@pytest.mark.parametrize("volume", [-0.01, 1.01, math.nan, math.inf])
def test_a_volume_beyond_its_range_is_refused_and_changes_nothing(volume: float) -> None:
    cues = Cues(0.4)
    with pytest.raises(ValueError, match="between 0 and 1"):
        cues.set_volume(volume)
    assert cues.volume == 0.4


@pytest.mark.parametrize(("mode", "heard"), [(Mode.AUTO, False), (Mode.NEUTRAL, True)])
def test_mute_cuts_a_cue_short_and_leaves_the_alarm(mode: Mode, heard: bool) -> None:
    cues, voice = Cues(), Voice(RATE)
    off = level(cue_m=0.1, in_dead_band=False, state=EndState.CUE)

    def at(now: float) -> Tick:
        return quiet(NOW + now, left=off, mode=Mode.AUTO if now < 0.05 else mode)

    before, _ = hear(cues, at, 0.1, voice=voice)
    assert before.any()
    cues.muted = True
    after, _ = hear(cues, lambda now: at(0.1 + now), 1.0, voice=voice, begin_s=NOW + 0.1)
    assert after[round(0.02 * RATE) :].any() == heard


@pytest.mark.parametrize("now_s", [NOW - 0.01, math.nan, math.inf])
def test_time_that_goes_back_is_refused(now_s: float) -> None:
    cues = Cues()
    cues.update(None, NOW)
    with pytest.raises(ValueError, match="go back"):
        cues.update(None, now_s)
