"""Datum, offset, crossfall target, dead band and the words of the cues, by hand."""

from __future__ import annotations

import math

import pytest
from closed_loop import LEFT, RIGHT, rig_of
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.fuse.blade import Blade
from firmware_py.guide import cues
from firmware_py.guide.deadband import DeadBand
from firmware_py.guide.targets import EndError, EndTarget, Targets
from firmware_py.messages import Guide, Link

HALF, RELEASE = 0.0015, 0.6


def test_the_dead_band_passes_an_error_that_leaves_it_until_it_is_well_inside() -> None:
    """1.5 mm, released at 60 %: 0.9 mm."""
    band = DeadBand(HALF, RELEASE)
    out = [
        band.update(e / 1e3) * 1e3 for e in (0.5, 1.4, 1.5, 1.6, 1.2, 0.95, 0.9, 1.4, -1.4, -1.6)
    ]
    assert out == pytest.approx([0, 0, 0, 1.6, 1.2, 0.95, 0, 0, 0, -1.6])


@given(st.lists(st.floats(-0.01, 0.01), min_size=1, max_size=50))
def test_the_dead_band_passes_the_error_itself_or_nothing(errors: list[float]) -> None:
    band = DeadBand(HALF, RELEASE)
    for error in errors:
        out = band.update(error)
        assert out in (error, 0.0)
        assert abs(error) <= HALF or out == error
        assert abs(error) > HALF * RELEASE or out == 0.0


def test_the_dead_band_does_not_swallow_what_is_no_number() -> None:
    assert math.isnan(DeadBand(HALF, RELEASE).update(math.nan))


def test_a_reset_dead_band_waits_for_the_error_to_leave_it() -> None:
    band = DeadBand(HALF, RELEASE)
    band.update(0.002)
    band.reset()
    assert band.update(0.0012) == 0.0


def test_no_dead_band_passes_everything() -> None:
    assert DeadBand(0.0, RELEASE).update(1e-6) == 1e-6


@pytest.mark.parametrize(
    ("error", "cue"),
    [(None, None), (0.0015, 0.0), (0.0016, -0.0016), (-0.0015, 0.0), (-0.004, 0.004)],
)
def test_cue_on_both_sides_of_the_dead_band(error: float | None, cue: float | None) -> None:
    assert cues.raise_by(error, HALF) == cue


@pytest.mark.parametrize(
    ("cue", "words"),
    [(None, "right: no reference"), (0.0, "right: on level"), (0.0042, "right: raise 4 mm"),
     (-0.0116, "right: lower 12 mm")],
)  # fmt: skip
def test_up_and_down_in_words(cue: float | None, words: str) -> None:
    assert cues.in_words(RIGHT, cue) == words


@pytest.mark.parametrize(
    ("steer", "words"),
    [(None, "no steering cue"), (0.0049, "steer straight"), (-0.0049, "steer straight"),
     (0.035, "steer left 35 mm"), (-0.035, "steer right 35 mm")],
)  # fmt: skip
def test_steering_in_words(steer: float | None, words: str) -> None:
    assert cues.steer_in_words(steer) == words


def _seen(guide: Guide, height: float = 0.75, lateral: float = 0.0) -> Blade:
    """A level blade whose left bar follows something at this height under it."""
    blade = Blade(rig_of())
    blade.set_guide(LEFT, guide)
    track = blade.tracks[LEFT]
    track.filter.start(height, lateral, (0.001, 0.01, 0.01, 0.1))
    track.link = Link.TRACKING
    blade.roll_variance = 1e-6
    return blade


def test_a_new_datum_takes_the_offset_away() -> None:
    target = EndTarget(Guide.STRING)
    target.offset = 0.01
    target.set_datum(0.1, 0.02)
    assert (target.datum, target.datum_lateral, target.offset) == (0.1, 0.02, 0.0)


def test_another_guide_makes_the_datum_void_and_the_same_one_keeps_it() -> None:
    target = EndTarget(Guide.STRING)
    target.set_datum(0.1, 0.0)
    target.offset = 0.004
    target.set_guide(Guide.STRING)
    assert (target.datum, target.offset) == (0.1, 0.004)
    target.set_guide(Guide.EDGE)
    assert (target.datum, target.offset) == (None, 0.0)


def test_the_target_runs_along_the_plane_through_the_reference() -> None:
    """Datum 100 mm, offset +5, crossfall +2 %: 50 mm further left the target is 1 mm lower."""
    targets = Targets(rig_of(crossfall_pct=2.0))
    assert targets.target_height(LEFT, 0.0) is None
    targets.ends[LEFT].set_datum(0.100, 0.010)
    targets.ends[LEFT].offset = 0.005
    assert targets.target_height(LEFT, 0.060) == pytest.approx(0.104)


def test_a_fall_end_leans_on_the_other_ends_error_while_that_leads() -> None:
    """Left 3 mm high, blade level at a 2 % target: right 3 + 36 = 39 mm high; its offset -2: 41."""
    targets = Targets(rig_of(crossfall_pct=2.0))
    blade = _seen(Guide.STRING)
    height = blade.end_height(LEFT)
    assert height is not None
    targets.ends[LEFT].set_datum(height[0] - 0.003, 0.0)
    targets.ends[RIGHT].offset = -0.002
    bars = targets.bar_errors(blade)
    led, alone = (targets.error(RIGHT, blade, yes, bars) for yes in (True, False))
    assert led is not None
    assert alone is not None
    assert led.error == pytest.approx(0.041)
    assert alone.error == pytest.approx(0.038)
    assert led.variance > alone.variance == pytest.approx(1.8**2 * 1e-6)


@pytest.mark.parametrize("guide", [Guide.HOLD, Guide.BY_HAND])
def test_hold_and_by_hand_have_no_error(guide: Guide) -> None:
    targets = Targets(rig_of())
    blade = _seen(Guide.STRING)
    targets.ends[LEFT].set_guide(guide)
    assert targets.error(LEFT, blade, True, targets.bar_errors(blade)) is None


def test_the_variance_of_a_bar_led_end_grows_by_the_tilt_over_its_lever() -> None:
    """(1 mm)^2 + (300 mm x 1 mrad)^2."""
    targets = Targets(rig_of())
    targets.ends[LEFT].set_datum(0.0, 0.0)
    error = targets.bar_error(LEFT, _seen(Guide.STRING))
    assert isinstance(error, EndError)
    assert error.variance == pytest.approx(1e-6 + 0.09e-6)
