"""The Drive pane's pictures: from metres to cells, by hand."""

from __future__ import annotations

import pytest
from tui_drive_made import seen, shown
from tui_made import NOW, bar_tick, beat, end_tick, hello

from firmware_py.messages import Guide, Link
from tui.canvas import Canvas, Ink, Rect
from tui.drive_frame import Frame, frame
from tui.drive_reference import reference_height
from tui.errors_plot import dot_row, plot_dots
from tui.known import HISTORY_S, Spot
from tui.section import Section
from tui.trace import bar_row, trace_dots


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
