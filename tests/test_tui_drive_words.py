"""The Drive pane's words, and what it says of numbers that are too old and along a job."""

from __future__ import annotations

import unicodedata
from typing import Any

import pytest
from tui_drive_made import FALL, seen, shown, with_left
from tui_made import bar_info, bar_tick, beat, end_tick, hello, run_of

from firmware_py.messages import EndState, Guide, Side
from tui import drive_ends, drive_job, drive_words
from tui.drive import parts
from tui.units import System, Units


@pytest.mark.parametrize(
    ("cue_m", "guide", "words"),
    [
        (0.004, Guide.STRING, "raise 4 mm"),
        (-0.0121, Guide.STRING, "lower 12 mm"),
        (0.0, Guide.STRING, "on level"),
        (None, Guide.STRING, "no reference"),
        (None, Guide.BY_HAND, "no cue"),
    ],
)
def test_the_cue_in_words(cue_m: float | None, guide: Guide, words: str) -> None:
    assert drive_words.cue(end_tick(cue_m=cue_m, guide=guide), Units()) == words
    assert words in with_left(cue_m=cue_m, guide=guide)


@pytest.mark.parametrize(
    ("steer_m", "words"),
    [
        (0.035, "steer left 35 mm"),
        (-0.12, "steer right 120 mm"),
        (0.0049, "steer straight"),
        (-0.0051, "steer right 5 mm"),
        (None, "no steering cue"),
    ],
)
def test_steering_in_words(steer_m: float | None, words: str) -> None:
    assert drive_words.steer(steer_m, Units()) == words
    assert words in shown(seen(hello(), beat(steer_m=steer_m)))


def test_inches() -> None:
    """4 mm are 0.157 in, 35 mm are 1.38 in."""
    text = shown(seen(units=Units(System.US)))
    assert "-0.16 in, sd 0.03" in text
    assert "steer left 1.4 in" in text
    assert "mm" not in text


@pytest.mark.parametrize(
    ("valve", "bar"),
    [
        (0.0, "▕···│···▏"),
        (0.01, "▕···│█··▏"),
        (1.0, "▕···│███▏"),
        (-0.5, "▕·██│···▏"),
        (-1.0, "▕███│···▏"),
    ],
)
def test_the_valve_bar_shows_its_side(valve: float, bar: str) -> None:
    assert drive_ends.effort(valve, 3) == bar


def test_valve_in_words() -> None:
    assert drive_ends.valve_words(0.314) == "valve +31 %"
    assert drive_ends.valve_words(-0.002) == "valve 0 %"
    assert "valve -100 %" in with_left(valve=-1.0)


@pytest.mark.parametrize(
    ("state", "why", "seconds", "words"),
    [
        (EndState.COAST, "", 0.2, "string, coast 0.2 s"),
        (EndState.HOLD, "standing", 3.21, "string, hold 3.2 s"),
        (EndState.OVERRIDE, "hand on the lever", 12.0, "string, override 12 s"),
        (EndState.NEUTRAL, "", 240.0, "string, neutral 4 min"),
    ],
)
def test_state_with_its_time(state: EndState, why: str, seconds: float, words: str) -> None:
    text = with_left(state=state, why=why, state_s=seconds)
    assert words in text
    assert why in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"held": True}, "held as asked"),
        ({"capped": True}, "at its speed limit"),
        ({"in_dead_band": True}, "in the dead band"),
        ({"datum_m": None}, "no datum"),
    ],
)
def test_why_an_end_does_what_it_does(changes: dict[str, Any], words: str) -> None:
    assert words in with_left(**changes)


def test_what_matters_stands_on_80_by_24() -> None:
    frames = [hello(), *run_of(25.0, right=FALL)]
    text = shown(seen(*frames))
    for words in (
        "[LEFT END] string, led 12 s",
        "RIGHT END  fall, led 12 s",
        "raise 4 mm",
        "lower 2 mm",
        "error -4.0 mm, sd 0.7",
        "error +2.1 mm, sd 0.7",
        "valve +31 % ▕···│█··▏",
        "offset +2.0, datum 152.0 mm",
        "crossfall 1.66 %",
        "target 2.00 %",
        "0.50 m/s at 12.4 m",
        "string ▼ 154.0 mm below target",
        "left end",
        "right end",
        "row 2 mm, column 35 mm",
        "steer left 35 mm",
        "column 20 mm, row 5 m",
        "last 20 s",
        "dead band ±1.5 mm",
        "1 row 5 mm",
    ):
        assert words in text, words


@pytest.mark.parametrize("size", [(80, 16), (80, 20), (100, 24), (120, 34), (160, 40), (200, 54)])
def test_every_size_has_the_words_and_no_row_is_too_long(size: tuple[int, int]) -> None:
    text = shown(seen(hello(), *run_of(25.0, right=FALL)), size)
    assert {len(line) for line in text.split("\n")} == {size[0]}
    for words in ("raise 4 mm", "lower 2 mm", "steer left 35 mm", "below target", "dead band"):
        assert words in text, words


@pytest.mark.parametrize("size", [(80, 18), (120, 34), (200, 54), (81, 17)])
def test_the_parts_of_the_pane_do_not_overlap(size: tuple[int, int]) -> None:
    _, *rects = parts(*size)
    cells = [
        (x, y) for r in rects for x in range(r.x, r.x + r.width) for y in range(r.y, r.y + r.height)
    ]
    assert len(cells) == len(set(cells))
    assert max(x for x, _ in cells) < size[0]
    assert max(y for _, y in cells) < size[1]


def test_large_screens_have_large_digits() -> None:
    small, large = (shown(seen(), size).count("█") for size in ((80, 18), (200, 54)))
    assert large > 8 * small


# --- numbers that are too old ---


def test_a_stale_tick_is_marked_everywhere() -> None:
    text = shown(seen(hello(), *run_of(2.0, right=FALL), age_s=0.5))
    assert "STALE 0.5 s" in text
    assert "was raise 4 mm" in text
    assert "error -4.0" not in text
    for line in ("valve", "offset", "crossfall", "steer left", "LEFT END"):
        found = next(row for row in text.split("\n") if line in row)
        assert "STALE" in found, line


def test_a_fresh_tick_is_not_marked() -> None:
    assert "STALE" not in shown(seen(age_s=0.25))


def test_an_end_whose_reference_was_not_seen_is_marked_though_the_tick_is_fresh() -> None:
    """The tick is 0.1 s old, its bar has seen nothing for 0.3 s before that."""
    text = shown(seen(hello(), beat(right=FALL, bars=(bar_tick(unseen_s=0.3),)), age_s=0.1))
    assert text.count("STALE 0.4 s") == 2  # the right end rests on the left one
    assert "steer left 35 mm STALE" in text
    valve = next(row for row in text.split("\n") if "valve" in row)
    assert "STALE" not in valve


def test_a_lost_link_marks_the_picture() -> None:
    what = seen()
    what.known.lost = "gone"
    assert "STALE: this is old" in shown(what)


def test_before_the_first_tick_it_says_so() -> None:
    assert "Waiting for the first tick." in shown(seen(hello()))


def test_nothing_known_at_all_is_drawn_without_a_fault() -> None:
    nothing = end_tick(error_m=None, error_sd_m=None, cue_m=None, datum_m=None, predicted_m=None)
    tick = beat(
        left=nothing, right=nothing, bars=(), crossfall=None, crossfall_sd=None, steer_m=None,
        speed_mps=None, distance_m=None,
    )  # fmt: skip
    text = shown(seen(hello(bars=()), tick))
    assert text.count("no datum ") >= 2  # both ends
    assert text.count("no reference ") == 1  # the trace: none has passed yet
    assert "crossfall not known" in text
    assert "left end unknown" in text


def test_two_bars_and_their_references() -> None:
    bars = (bar_info(), bar_info(Side.RIGHT))
    tick = beat(bars=(bar_tick(), bar_tick(Side.RIGHT, lateral_m=-0.02)), right=end_tick())
    text = shown(seen(hello(bars=bars), tick))
    assert text.count("├──bar") == 2
    assert text.count("●") == 2


def test_all_dots_are_braille() -> None:
    text = shown(seen(hello(), *run_of(25.0)))
    strange = {c for c in text if ord(c) > 0x2900}
    assert not strange, [unicodedata.name(c) for c in strange]


# --- along a job ---

JOB = {
    "chainage_m": 24.31, "chainage_sd_m": 0.2, "cut": "cutting 25, 55 left",
    "notice": "cover in 1.3 m (gully): lift 60 mm; transition in 4.3 m: crossfall 2.0 to 3.0 %, "
              "over 6.0 m",
}  # fmt: skip


def test_a_job_has_two_lines_chainage_and_cut_then_what_is_ahead() -> None:
    """Plus-minus is two sigma: 0.4 m. On 80 columns the nearest thing alone."""
    wide = shown(seen(hello(), beat(**JOB)), (120, 30))
    assert "chainage 24.3 m ± 0.4 m; cutting 25, 55 left (mm)" in wide
    assert JOB["notice"] in wide
    lines = shown(seen(hello(), beat(**JOB))).splitlines()
    at = next(y for y, line in enumerate(lines) if "chainage 24.3 m" in line)
    assert "crossfall" in lines[at - 1]
    assert lines[at + 1].strip() == "cover in 1.3 m (gully): lift 60 mm"


def test_an_old_chainage_is_marked_and_an_unknown_one_said() -> None:
    assert "± 0.4 m STALE" in shown(seen(hello(), beat(**JOB | {"cut": ""}), age_s=1.0))
    lost = {"notice": "chainage lost: name the pin that you stand at"}
    told = shown(seen(hello(), beat(**lost)))
    assert "chainage not known" in told
    assert lost["notice"] in told


def test_without_a_job_the_pane_is_as_it_was() -> None:
    assert "chainage" not in shown(seen())
    assert parts(80, 18).job.height == 0


@pytest.mark.parametrize(
    ("text", "name"), [("pin:P3", "P3"), ("Pin-7", "7"), ("pinned", ""), ("lunch", "")]
)
def test_a_mark_may_name_a_pin(text: str, name: str) -> None:
    assert drive_job.pin_named(text) == name
