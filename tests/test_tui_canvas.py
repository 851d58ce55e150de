"""The canvas, big digits and scales. Braille dots are checked against Unicode's own names."""

from __future__ import annotations

import unicodedata
from itertools import pairwise

import pytest

from tui import big, colours
from tui.canvas import DASHED, Canvas, Ink, Rect, styles_of
from tui.drive_scale import NARROW, Steps, in_words, ladder
from tui.units import HEIGHT, System

MM = 1e-3


# Unicode, block Braille Patterns: dots 1, 2, 3, 7 run down the left, 4, 5, 6, 8 down the right.
@pytest.mark.parametrize(
    ("across", "down", "number"),
    [(0, 0, 1), (0, 1, 2), (0, 2, 3), (1, 0, 4), (1, 1, 5), (1, 2, 6), (0, 3, 7), (1, 3, 8)],
)
def test_a_dot_is_the_one_that_unicode_names(across: int, down: int, number: int) -> None:
    canvas = Canvas(1, 1)
    canvas.dot(across, down, Ink.PLAIN)
    assert unicodedata.name(canvas.lines()[0]) == f"BRAILLE PATTERN DOTS-{number}"


def test_dots_of_one_cell_add_up() -> None:
    canvas = Canvas(2, 1)
    for across, down in ((0, 0), (1, 3), (2, 0)):
        canvas.dot(across, down, Ink.PLAIN)
    names = [unicodedata.name(c) for c in canvas.lines()[0]]
    assert names == ["BRAILLE PATTERN DOTS-18", "BRAILLE PATTERN DOTS-1"]


@pytest.mark.parametrize("at", [(-1, 0), (0, -1), (4, 0), (0, 4)])
def test_a_dot_outside_draws_nothing(at: tuple[int, int]) -> None:
    canvas = Canvas(2, 1)
    canvas.dot(*at, Ink.PLAIN)
    assert canvas.lines() == ["  "]


def test_text_is_cut_at_both_sides_and_below() -> None:
    canvas = Canvas(5, 1)
    assert canvas.text(-2, 0, "abcdefghij") == 5
    assert canvas.lines() == ["cdefg"]
    canvas.text(0, 1, "not here")
    canvas.text(7, 0, "not here")
    assert canvas.lines() == ["cdefg"]
    canvas.text(0, 0, "xyz", room=1)
    assert canvas.lines() == ["xdefg"]


def test_text_to_the_right_and_in_the_middle() -> None:
    canvas = Canvas(9, 2)
    canvas.right(9, 0, "12")
    canvas.middle(Rect(2, 1, 5, 1), 1, "abc")
    assert canvas.lines() == ["       12", "   abc   "]


def test_the_first_words_that_fit_are_taken() -> None:
    canvas = Canvas(6, 2)
    canvas.fitting(Rect(0, 0, 6, 1), ["too long", "fits", "no"])
    canvas.fitting(Rect(0, 1, 6, 1), ["far too long", "too long"])
    assert canvas.lines() == ["fits  ", "too lo"]


def test_words_wipe_dots_and_dots_never_cover_words() -> None:
    canvas = Canvas(3, 1)
    canvas.line((0, 0), (5, 0), Ink.TARGET)
    canvas.text(0, 0, "a ")
    canvas.dot(0, 0, Ink.TARGET)
    shown = canvas.lines()[0]
    assert shown[:2] == "a "
    assert shown[2] != " "


def test_a_line_has_both_its_ends_and_is_straight() -> None:
    canvas = Canvas(4, 2)
    canvas.line((0, 0), (7, 7), Ink.PLAIN)
    on = [(x, y) for x in range(8) for y in range(8) if _lit(canvas, x, y)]
    assert on == [(k, k) for k in range(8)]


def test_dashes_run_on_over_the_points_of_a_curve() -> None:
    """Point by point one dot further: each dash is as long as on one straight line."""
    canvas, straight = Canvas(14, 1), Canvas(14, 1)
    canvas.curve([(x, 0) for x in range(28)], Ink.PLAIN, DASHED)
    straight.line((0, 0), (27, 0), Ink.PLAIN, DASHED)
    lit = [_lit(canvas, x, 0) for x in range(28)]
    assert lit == [True, True, True, True, False, False, False] * 4
    assert canvas.lines() == straight.lines()


def test_a_curve_has_gaps_where_a_point_is_not_known() -> None:
    canvas = Canvas(5, 1)
    canvas.curve([(0, 0), (2, 0), None, (6, 0), (8, 0)], Ink.PLAIN)
    assert [x for x in range(10) if _lit(canvas, x, 0)] == [0, 1, 2, 6, 7, 8]


def test_runs_of_one_ink_are_joined_over_blanks() -> None:
    canvas = Canvas(8, 1)
    canvas.text(0, 0, "abc", Ink.STRONG)
    canvas.text(3, 0, "d", Ink.FAINT)
    canvas.text(6, 0, "e", Ink.FAINT)
    assert canvas.rows() == [(("abc", Ink.STRONG), ("d  e ", Ink.FAINT))]


def test_an_ink_with_its_own_ground_ends_where_its_words_end() -> None:
    canvas = Canvas(8, 1)
    canvas.text(0, 0, " ab ", Ink.ALARM)
    assert canvas.rows() == [((" ab ", Ink.ALARM), ("    ", Ink.PLAIN))]


def _lit(canvas: Canvas, across: int, down: int) -> bool:
    char = canvas.lines()[down // 4][across // 2]
    if char == " ":
        return False
    number = ((1, 4), (2, 5), (3, 6), (7, 8))[down % 4][across % 2]
    return str(number) in unicodedata.name(char).rsplit("-", 1)[1]


@pytest.mark.parametrize("name", colours.NAMES)
def test_every_ink_has_a_colour_in_every_theme(name: str) -> None:
    styles = styles_of(colours.theme(name))
    assert set(styles) == set(Ink)
    assert all(style.color != style.bgcolor for style in styles.values())


# --- big digits ---


def test_glyphs_are_five_rows_of_one_width_and_all_differ() -> None:
    for char, glyph in big.GLYPHS.items():
        rows = glyph.split("/")
        assert len(rows) == big.ROWS, char
        assert len({len(row) for row in rows}) == 1, char
    digits = [big.GLYPHS[d] for d in "0123456789"]
    assert len(set(digits)) == 10
    letters = {c: g for c, g in big.GLYPHS.items() if c.isalpha()}
    assert len(set(letters.values())) == len(letters)


@pytest.mark.parametrize("words", ["RAISE 88", "LOWER 12", "ON LEVEL", "NO REFERENCE", "STALE 1.2"])
def test_every_cue_can_be_written(words: str) -> None:
    assert set(words) <= set(big.GLYPHS)


def test_small_digits_by_hand() -> None:
    """A 1 of 3 x 5 pixels in half blocks: rows 1+2, 3+4 and 5 of its bitmap."""
    canvas = Canvas(3, 3)
    big.draw(canvas, (0, 0), "1", 0, Ink.PLAIN)
    assert canvas.lines() == ["▄█ ", " █ ", "▀▀▀"]


def test_large_digits_fill_what_they_say() -> None:
    for size in (0, 1, 2):
        width, rows = big.width_of("-8.", size), big.rows_of(size)
        canvas = Canvas(width, rows)
        big.draw(canvas, (0, 0), "-8.", size, Ink.PLAIN)
        lines = canvas.lines()
        assert lines[0].strip()
        assert lines[-1].rstrip() == lines[-1]  # the full stop ends at the last column


# --- scales ---


def test_the_ladder_goes_in_steps_of_1_2_5() -> None:
    metric = ladder(MM, 0.9e-3)
    assert metric[:7] == pytest.approx([1e-3, 2e-3, 5e-3, 10e-3, 20e-3, 50e-3, 100e-3])
    inches = ladder(0.0254, 0.9e-3)
    assert inches[:3] == pytest.approx([0.05 * 0.0254, 0.1 * 0.0254, 0.2 * 0.0254])
    assert all(1.9 < b / a < 2.6 for a, b in pairwise(metric))


def test_a_scale_widens_at_once_and_narrows_late() -> None:
    steps = Steps(0.9e-3)
    assert steps.choose(9e-3, 5, MM) == pytest.approx(2e-3)  # 5 rows of 2 mm hold 10
    assert steps.choose(10.1e-3, 5, MM) == pytest.approx(5e-3)
    assert steps.choose(9e-3, 5, MM) == pytest.approx(5e-3)  # it would fit, but not by far
    assert steps.choose(NARROW * 10e-3 - 1e-5, 5, MM) == pytest.approx(2e-3)
    assert steps.choose(0.0, 5, MM) == pytest.approx(1e-3)  # never below its least


def test_a_scale_does_not_flip_on_noise_at_its_edge() -> None:
    steps = Steps(0.9e-3)
    seen = [steps.choose(10e-3 + 0.3e-3 * (-1) ** k, 5, MM) for k in range(20)]
    assert len(set(seen[1:])) == 1


def test_a_change_of_unit_takes_a_step_of_that_unit() -> None:
    steps = Steps(0.9e-3)
    steps.choose(9e-3, 5, MM)
    kind = HEIGHT[System.US]
    assert in_words(steps.choose(9e-3, 5, kind.one), kind) == "0.1 in"  # 5 rows: 12.7 mm
