"""The Bar pane: geometry by hand, and each element in words and signs."""

from __future__ import annotations

import pytest
from tui_made import NOW, POSITIONS, bar_info, bar_tick, beat, end_tick, hello

from firmware_py.link.frames import BarInfo, Beat, Hello
from firmware_py.messages import Guide, Link, Side, Use
from tui.bar import BarPainter
from tui.bar_scene import BarFrame, BarScale, gate_edges, ranges_of
from tui.canvas import Canvas, Rect
from tui.drive_words import Seen
from tui.known import Known
from tui.units import HEIGHT, System, Units

SMALL = (80, 18)
MM = HEIGHT[System.METRIC]


def shown(
    *frames: Hello | Beat, size: tuple[int, int] = SMALL, age_s: float = 0.0,
    units: Units | None = None,
) -> str:  # fmt: skip
    known = Known()
    known.take(frames or (hello(), beat()))
    canvas = Canvas(*size)
    BarPainter().paint(canvas, Seen(known, NOW + age_s, units or Units(), frozenset()))
    return "\n".join(canvas.lines())


def row_of(text: str, start: str) -> str:
    return next(line for line in text.split("\n") if line.lstrip().startswith(start))


# --- geometry ---


def test_places_along_the_bar_by_hand() -> None:
    """0.42 m over 70 columns: 6 mm each; 0.15 m left of the middle is 60 mm from the left."""
    scene = BarFrame(Rect(9, 3, 70, 10), 0.21, 0.5, 0.05)
    assert scene.column_m == pytest.approx(0.006)
    assert scene.column(0.15) == 9 + 10
    assert scene.column(0.0) == 9 + 35
    assert scene.column(-0.15) == 9 + 60
    assert scene.column(1.0) == 9
    assert scene.column(-1.0) == 9 + 69


def test_ranges_downwards_by_hand() -> None:
    """From 0.5 m, 50 mm a row, 4 dots a row; 0.5 m is the second dot of row 3."""
    scene = BarFrame(Rect(9, 3, 70, 10), 0.21, 0.5, 0.05)
    assert scene.down(0.5) == 13
    assert scene.down(0.6) == 13 + 8
    assert scene.row(0.6) == 5
    assert scene.down(9.0) == 51  # kept within: the last dot of row 12
    assert scene.holds(0.5)
    assert scene.holds(0.97)
    assert not scene.holds(0.98)
    assert not scene.holds(0.47)


def test_the_gate_stands_round_its_middle() -> None:
    bar = bar_tick(gate_m=0.6)
    assert gate_edges(bar, 0.06, 0.05) == pytest.approx((0.54, 0.65))
    assert gate_edges(bar_tick(gate_m=None), 0.06, 0.05) is None
    assert gate_edges(bar_tick(gate_m=0.05), 0.06, 0.05) == pytest.approx((0.0, 0.1))


def test_the_drawing_holds_all_that_there_is() -> None:
    bar = bar_tick()
    ranges = ranges_of(bar, 0.06, 0.05)
    assert min(ranges) == pytest.approx(0.54)  # the gate's near edge
    assert max(ranges) == pytest.approx(0.752)  # the ground
    scene = BarScale().frame(bar_info(), Rect(9, 0, 70, 10), ranges, MM)
    assert scene.top_m == pytest.approx(0.5)
    assert scene.row_m == pytest.approx(0.05)  # 0.252 m over 9.5 rows: 26.5 mm, so 50
    assert all(scene.holds(r) for r in ranges)


def test_the_top_follows_late_and_the_row_widens_at_once() -> None:
    scale, info, rect = BarScale(), bar_info(), Rect(0, 0, 70, 10)
    first = scale.frame(info, rect, [0.54, 0.75], MM)
    again = scale.frame(info, rect, [0.64, 0.75], MM)
    assert again.top_m == first.top_m  # it would be 0.6, but not by far
    far = scale.frame(info, rect, [0.9, 1.4], MM)
    assert far.top_m == pytest.approx(0.8)
    near = scale.frame(info, rect, [0.3, 1.4], MM)
    assert near.top_m == pytest.approx(0.2)
    assert near.holds(1.4)


def test_without_any_range_the_reach_is_drawn() -> None:
    scene = BarScale().frame(bar_info(), Rect(0, 0, 70, 10), [], MM)
    assert scene.holds(0.25)
    assert scene.holds(1.5)


# --- what is said ---


def test_the_elements_stand_at_their_places_left_on_the_left() -> None:
    """73 columns from column 6 over 0.36 m; element 5 is the leftmost."""
    bar = row_of(shown(), "mm ≈")
    columns = [bar.index(str(k)) for k in (5, 4, 3, 2, 1)]
    assert columns == sorted(columns)
    by_hand = [6 + int((0.18 - y) / 0.36 * 73) for y in reversed(POSITIONS)]
    assert columns == pytest.approx(by_hand, abs=1)


def test_each_element_is_told_in_words_and_numbers_below_it() -> None:
    text = shown()
    assert row_of(text, "use").split() == ["use", "outlier", "used", "used", "gated", "silent"]
    assert row_of(text, "nearest").split() == ["nearest", "612.0", "598.0", "599.0", "701.0", "—"]
    assert row_of(text, "furthest").split()[1:] == ["750.0", "748.0", "752.0", "701.0", "—"]


@pytest.mark.parametrize(
    ("use", "sign"), [(Use.USED, "●"), (Use.GATED, "×"), (Use.OUTLIER, "?"), (Use.SILENT, "·")]
)
def test_each_use_has_a_shape_of_its_own(use: Use, sign: str) -> None:
    """One element heard, at 0.7 m, in the middle; the reference is not known."""
    bar = bar_tick(
        ranges_m=(None, None, 0.7, None, None), uses=(use,) * 5, clearance_m=None, lateral_m=None,
        last_m=(None,) * 5,
    )  # fmt: skip
    drawing = shown(hello(), beat(bars=(bar,))).split("\n")[2:13]
    assert sum(line.count(sign) for line in drawing) == 1


def test_the_reference_stands_at_clearance_and_lateral() -> None:
    """35 mm to the left of the middle at 4.9 mm a column: about 7 columns left of element 3."""
    lines = shown().split("\n")
    bar = row_of("\n".join(lines), "mm ≈")
    line = next(line for line in lines[2:] if "◆" in line)
    assert bar.index("3") - line.index("◆") == pytest.approx(35 / 4.93, abs=1)
    assert "◆ string" in line
    assert "600" in line  # the row of 575 to 625 mm


def test_numbers_of_the_reference_and_the_gate() -> None:
    text = shown()
    assert "LEFT BAR: string, tracking, seen 0.01 s ago" in text
    assert "clearance 598.0 mm, sd 0.6" in text
    assert "lateral 35.0 mm to the left, sd 2.0" in text
    assert "gate 540.0 to 650.0 mm (near half 60.0, far half 50.0 mm)" in text
    assert "1 row 50 mm, 1 column 4.9 mm" in text


def test_the_gate_and_the_ground_are_drawn() -> None:
    text = shown(size=(120, 34))
    lines = text.split("\n")
    dashed = [k for k, line in enumerate(lines) if sum(0x2800 < ord(c) < 0x2900 for c in line) > 30]
    assert len(dashed) == 2
    assert "540" in lines[dashed[0]]  # the row of 535 to 545 mm
    ground = [k for k, line in enumerate(lines) if "▁▁▁" in line]
    assert len(ground) >= 1
    assert min(ground) > dashed[1]


def test_the_right_of_the_middle() -> None:
    assert "lateral 12.0 mm to the right" in shown(
        hello(), beat(bars=(bar_tick(lateral_m=-0.012),))
    )


def test_a_bar_that_searches_says_so() -> None:
    bar = bar_tick(
        link=Link.SEARCHING, clearance_m=None, clearance_sd_m=None, lateral_m=None, unseen_s=None,
        gate_m=None,
    )  # fmt: skip
    text = shown(hello(), beat(bars=(bar,)))
    assert "string, searching, not seen yet" in text
    assert "clearance not known" in text
    assert "gate: the whole reach" in text
    assert "◆" not in text


def test_a_surface_is_a_line_without_lateral() -> None:
    tick = beat(left=end_tick(guide=Guide.SURFACE), bars=(bar_tick(lateral_m=None),))
    text = shown(hello(bars=(bar_info(turned=True),)), tick)
    assert "surface, tracking" in text
    assert "turned along the way" in text
    assert "lateral not known" in text


def test_two_bars_stand_side_by_side_the_left_one_left() -> None:
    both = hello(bars=(bar_info(Side.RIGHT), bar_info(Side.LEFT)))
    tick = beat(bars=(bar_tick(Side.LEFT), bar_tick(Side.RIGHT, lateral_m=-0.02)))
    text = shown(both, tick)
    first = text.split("\n")[0]
    assert 0 <= first.index("LEFT BAR") < 40 <= first.index("RIGHT BAR")
    for words, count in (("outlier", 2), ("used", 4), ("gated", 2), ("silent", 2), ("◆", 2)):
        assert text.replace("● used", "").count(words) == count, words


def test_a_reference_not_seen_for_long_is_marked() -> None:
    text = shown(hello(), beat(bars=(bar_tick(unseen_s=0.4),)))
    assert "clearance 598.0 mm, sd 0.6 STALE" in text
    assert "lateral 35.0 mm to the left, sd 2.0 STALE" in text


def test_a_stale_tick_is_marked() -> None:
    text = shown(age_s=1.0)
    assert "STALE: this is old" in text
    assert "seen 1.01 s ago" in text
    assert "STALE" in row_of(text, "gate")


@pytest.mark.parametrize("size", [(80, 16), (80, 18), (120, 34), (200, 54)])
@pytest.mark.parametrize("bars", [1, 2])
def test_every_size_has_the_words(size: tuple[int, int], bars: int) -> None:
    infos: tuple[BarInfo, ...] = (bar_info(), bar_info(Side.RIGHT))[:bars]
    tick = beat(bars=(bar_tick(), bar_tick(Side.RIGHT)))
    text = shown(hello(bars=infos), tick, size=size)
    assert {len(line) for line in text.split("\n")} == {size[0]}
    for words in (
        "BAR: ",
        "clearance 598.0 mm",
        "lateral 35.0 mm",
        "outlier",
        "silent",
        "gate 540.0",
    ):
        assert text.count(words) >= bars, words


def test_inches() -> None:
    """598 mm are 23.54 in."""
    text = shown(units=Units(System.US))
    assert "clearance 23.54 in" in text
    assert " mm" not in text


def test_a_rig_without_a_bar_and_a_bar_without_a_word() -> None:
    assert "This rig has no range bar." in shown(hello(bars=()), beat(bars=()))
    assert "LEFT BAR: nothing told" in shown(hello(), beat(bars=()))
    assert "Waiting for the first tick." in shown(hello())


def test_fewer_ranges_than_elements_are_silent() -> None:
    bar = bar_tick(ranges_m=(0.6,), uses=(Use.USED,), last_m=())
    assert row_of(shown(hello(), beat(bars=(bar,))), "use").split().count("silent") == 4
