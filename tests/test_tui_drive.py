"""The Drive pane: geometry by hand, words, and what is said of numbers that are too old."""

from __future__ import annotations

import unicodedata
from typing import Any

import pytest
from tui_made import NOW, bar_info, bar_tick, beat, end_tick, hello, run_of

from firmware_py.link.frames import Beat, Hello
from firmware_py.messages import EndState, Guide, Link, Side
from tui import drive_ends, drive_job, drive_words
from tui.canvas import Canvas, Ink, Rect
from tui.drive import DrivePainter, parts
from tui.drive_frame import Frame, frame
from tui.drive_reference import reference_height
from tui.errors_plot import dot_row, plot_dots
from tui.known import HISTORY_S, Known, Spot
from tui.section import Section
from tui.trace import bar_row, trace_dots
from tui.units import System, Units

SMALL = (80, 18)  # what 80 x 24 leaves to a pane, with the keys of a simulated rig
FALL = end_tick(guide=Guide.FALL, error_m=0.0021, cue_m=-0.0021, datum_m=None, offset_m=0.0)


def seen(*frames: Hello | Beat, age_s: float = 0.0, units: Units | None = None) -> drive_words.Seen:
    known = Known()
    known.take(frames or (hello(), beat()))
    return drive_words.Seen(known, NOW + age_s, units or Units(), frozenset({Side.LEFT}))


def shown(what: drive_words.Seen, size: tuple[int, int] = SMALL) -> str:
    canvas = Canvas(*size)
    DrivePainter().paint(canvas, what)
    return "\n".join(canvas.lines())


def with_left(age_s: float = 0.0, **changes: Any) -> str:
    return shown(seen(hello(), beat(left=end_tick(**changes)), age_s=age_s))


# --- from metres to cells, by hand ---


def test_the_section_is_as_wide_as_blade_and_bar() -> None:
    """Left: 0.9 half blade, 0.3 outside, 0.15 half bar, 0.12 margin; right: 0.9 and 0.12."""
    scene = frame(hello(), Rect(9, 0, 71, 5), 2e-3)
    assert (scene.y_left_m, scene.y_right_m) == pytest.approx((1.47, -1.02))
    assert scene.column_m == pytest.approx(2.49 / 71)  # 35.07 mm
    assert scene.exaggeration == pytest.approx(2 * 2.49 / 71 / 2e-3)  # 35.07: cells are 1 by 2
    assert scene.column(0.9) == 9 + 16  # 0.57 m of 2.49 from the left: 16.25 columns
    assert scene.column(-0.9) == 9 + 67  # 2.37 m: 67.6 columns
    assert scene.column(9.0) == 9
    assert scene.column(-9.0) == 79


def test_heights_in_the_section_go_up_by_four_dots_a_row() -> None:
    scene = Frame(Rect(0, 10, 40, 5), 1.0, -1.0, 2e-3)
    assert scene.middle == 12
    level = scene.down(0.0)
    assert level // 4 == 12
    assert scene.down(2e-3) == level - 4
    assert scene.down(-1e-3) == level + 2
    assert scene.down(1.0) == 40  # kept within: the first dot of row 10
    assert scene.down(-1.0) == 59
    assert scene.holds(5e-3)
    assert not scene.holds(5.1e-3)


@pytest.mark.parametrize(
    ("left_m", "right_m", "left_row", "right_row"),
    [(0.004, -0.004, 0, 4), (-0.004, 0.004, 4, 0), (0.0, 0.0, 2, 2)],
)
def test_the_blade_is_high_on_the_side_that_is_too_high(
    left_m: float, right_m: float, left_row: int, right_row: int
) -> None:
    """Facing the cutting direction, left on the left: 5 rows of 2 mm, the target in row 2."""
    tick = beat(left=end_tick(error_m=left_m), right=end_tick(error_m=right_m))
    canvas = Canvas(80, 6)
    Section().paint(canvas, canvas.whole, seen(hello(bars=()), tick))
    rows = canvas.rows()
    blade = [_columns(runs, Ink.BLADE) for runs in rows]
    assert min(blade[left_row], default=999) < 20
    assert max(blade[right_row], default=-1) > 70


def _columns(runs: tuple[tuple[str, Ink], ...], ink: Ink) -> list[int]:
    """Columns in which something of that ink stands."""
    found, x = [], 0
    for text, its in runs:
        found += [x + k for k, c in enumerate(text) if its is ink and c != " "]
        x += len(text)
    return found


def test_one_known_end_is_drawn_alone_and_the_other_named() -> None:
    tick = beat(left=end_tick(error_m=None, cue_m=None), right=end_tick(error_m=0.0))
    canvas = Canvas(80, 6)
    Section().paint(canvas, canvas.whole, seen(hello(), tick))
    columns = [x for runs in canvas.rows() for x in _columns(runs, Ink.BLADE)]
    assert min(columns) > 55  # a fifth of the blade
    assert "left end unknown" in "\n".join(canvas.lines())


def test_the_reference_lies_under_its_target_by_datum_and_offset() -> None:
    assert reference_height(end_tick(datum_m=0.152, offset_m=0.002)) == pytest.approx(-0.154)
    assert reference_height(end_tick(datum_m=None)) is None


def test_the_reference_stands_where_it_lies_beside_the_blade() -> None:
    """0.9 + 0.3 + 0.035 m left of the middle: 0.235 of 2.49 m, 6.7 of 71 columns."""
    canvas = Canvas(80, 6)
    Section().paint(canvas, canvas.whole, seen())
    lines = canvas.lines()
    assert lines[4].index("●") == 9 + 6
    assert "string ▼ 154.0 mm below target" in lines[4]


def test_a_near_reference_stands_at_its_height() -> None:
    left = end_tick(datum_m=0.004, offset_m=0.0, error_m=0.0)
    canvas = Canvas(80, 8)
    tick = beat(left=left, right=end_tick(error_m=0.006))
    Section().paint(canvas, canvas.whole, seen(hello(), tick))
    lines = canvas.lines()
    rows = [y for y, line in enumerate(lines) if "●" in line]
    assert rows == [5]  # 7 rows of 2 mm, the target in row 3: 4 mm below is row 5


@pytest.mark.parametrize(
    ("guide", "link", "words"),
    [
        (Guide.EDGE, Link.TRACKING, "▟ edge"),
        (Guide.SURFACE, Link.TRACKING, "▒ surface"),
        (Guide.STRING, Link.SEARCHING, "string: searching"),
        (Guide.BY_HAND, Link.TRACKING, "guide: by hand"),
    ],
)
def test_each_kind_of_reference_has_its_sign(guide: Guide, link: Link, words: str) -> None:
    tick = beat(left=end_tick(guide=guide), bars=(bar_tick(link=link),))
    assert words in shown(seen(hello(), tick))


def test_the_bar_over_the_trace_has_its_length() -> None:
    """0.15 m at 20 mm a column: 7.5 columns to either side, 8 drawn."""
    row = bar_row(41, 0.15, 0.02)
    assert (row.index("├"), row.index("┬"), row.index("┤")) == (12, 20, 28)


def test_the_trace_goes_left_for_left_and_down_for_older() -> None:
    """20 mm a column, 1 m a row; 2 dots a column and 4 a row; the middle is dot 40."""
    spots = [Spot(0.0, -0.02), Spot(1.0, 0.1), Spot(2.5, 0.0)]
    dots = trace_dots(spots, Rect(0, 2, 41, 5), 0.02, 1.0)
    assert dots == [(40, 8), (30, 8 + 6), (42, 8 + 10)]


def test_the_trace_has_gaps_and_an_end() -> None:
    spots = [Spot(-9.0, 0.0), Spot(1.0, None), Spot(2.0, 0.02)]
    assert trace_dots(spots, Rect(0, 0, 41, 3), 0.02, 1.0) == [(38, 0), None]
    assert trace_dots([], Rect(0, 0, 41, 3), 0.02, 1.0) == []


def test_the_plot_puts_now_at_the_right_and_high_up() -> None:
    """40 columns have 80 dots: 20 s are 79 dots back; 2 mm a row, 4 dots: 3 mm is 6 dots."""
    rect = Rect(8, 1, 40, 5)
    values = [(NOW - HISTORY_S, 0.0), (NOW, 3e-3)]
    dots = plot_dots(values, rect, 2e-3, NOW)
    assert dots[0] == (16, dot_row(0.0, rect, 2e-3))
    assert dots[-1] == (16 + 79, dot_row(0.0, rect, 2e-3) - 6)
    assert None in dots  # 20 s without a point between are not joined


def test_the_plot_shows_nothing_of_what_is_not_known_or_too_old() -> None:
    rect = Rect(0, 0, 40, 5)
    values = [(NOW - HISTORY_S - 1.0, 0.0), (NOW - 1.0, None), (NOW - 0.9, 1e-3)]
    assert [d is None for d in plot_dots(values, rect, 2e-3, NOW)][:2] == [True, True]


# --- words ---


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
