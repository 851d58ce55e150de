"""The text view as a pure function of what is known, at two sizes, fresh and stale."""

from __future__ import annotations

from typing import Any

import pytest
from test_journal_making import tick

from firmware_py.live.lines import Printer
from firmware_py.live.pipes import Hello, Kind
from firmware_py.live.words import as_dict, line, signed_mm, speed_words
from firmware_py.messages import EndState, Guide, Mode, Side, Tick
from tui.text_picture import LABEL, MARGIN, THIRDS, Scale, draw
from tui.text_screen import STALE, Known, screen

SIZES = [(80, 24), (120, 40)]
HELLO = Hello("reference", True, "out/run-20260102-030405.mcap", Side.LEFT, 1.8, 0.0)


def with_fields(struct: Any, **changes: Any) -> Any:
    fields = {f: getattr(struct, f) for f in struct.__struct_fields__}
    return type(struct)(**(fields | changes))


def a_tick(**changes: Any) -> Tick:
    """On 42 s: left 4 mm low, right 2 mm high, 35 mm to steer left."""
    base = tick(4200)
    left = with_fields(base.left, error_m=-0.004, cue_m=0.004, error_sd_m=0.0006, offset_m=0.005)
    right = with_fields(base.left, guide=Guide.FALL, error_m=0.002, cue_m=-0.002, error_sd_m=None)
    usual = {
        "time_s": 42.0, "mode": Mode.AUTO, "why": "Automatic.", "left": left, "right": right,
        "steer_m": 0.035, "crossfall": 0.0193, "crossfall_target": 0.02, "speed_mps": 0.5,
        "distance_m": 12.34, "faults": (),
    }  # fmt: skip
    return with_fields(base, **(usual | changes))  # type: ignore[no-any-return]


def shown(size: tuple[int, int] = (80, 24), age_s: float = 0.02, **changes: Any) -> list[str]:
    known = Known(hello=HELLO, tick=a_tick(**changes), age_s=age_s)
    lines = screen(known, *size)
    assert len(lines) == size[1]
    assert all(len(one) <= size[0] for one in lines)
    return lines


def text(*arguments: Any, **changes: Any) -> str:
    return "\n".join(shown(*arguments, **changes))


@pytest.mark.parametrize("size", SIZES)
def test_all_that_a_driver_needs_is_there(size: tuple[int, int]) -> None:
    seen = text(size)
    for words in (
        "AUTO", "rig reference (simulated)", "running 0:42",
        "LEFT END follows string", "RIGHT END follows fall",
        "-4.0 mm off target, sd 0.6", "+2.0 mm off target", "raise 4 mm", "lower 2 mm",
        "offset +5.0 mm", "steer left 35 mm", "35 mm left of the bar's middle",
        "actual 1.93 %, target 2.00 %", "speed 0.50 m/s, travelled 12.3 m", "Faults     none",
        "0.02 s old", "out/run-20260102-030405.mcap", "q stops the run",
        "Prototype, uncertified: keep people away from the machine.",
    ):  # fmt: skip
        assert words in seen
    assert STALE not in seen


@pytest.mark.parametrize("size", SIZES)
def test_a_fresh_screen_is_plain_characters(size: tuple[int, int]) -> None:
    seen = text(size)
    assert "\x1b" not in seen  # nothing is said by colour
    assert not set("▲▼△▽↑↓←→●○") & set(seen)


@pytest.mark.parametrize("size", SIZES)
def test_old_numbers_are_marked(size: tuple[int, int]) -> None:
    seen = text(size, age_s=1.4)
    assert f" {STALE}: no data from the loop for 1.4 s; what stands below is old" in seen
    assert "AUTO" not in seen
    for words in (
        "-4.0 mm off target, sd 0.6", "raise 4 mm", "lower 2 mm", "the bar's middle)",
        "target 2.00 %", "travelled 12.3 m", "none",
    ):  # fmt: skip
        assert f"{words} {STALE}" in seen
    assert f"Data       {STALE}, 1.4 s old" in seen


@pytest.mark.parametrize(("age", "old"), [(0.29, False), (0.31, True), (float("nan"), True)])
def test_the_limit_of_freshness(age: float, old: bool) -> None:
    assert (STALE in text(age_s=age)) is old


def test_a_reference_unseen_makes_its_numbers_old_and_no_others() -> None:
    bar = with_fields(tick(0).bars[0], unseen_s=0.5)
    seen = text(bars=(bar,))
    assert f"-4.0 mm off target, sd 0.6 {STALE}" in seen
    assert f"the bar's middle) {STALE}" in seen
    assert f"+2.0 mm off target {STALE}" not in seen
    assert f"m/s, travelled 12.3 m {STALE}" not in seen


def test_what_is_not_known_is_said_and_never_a_number() -> None:
    nothing = {"error_m": None, "error_sd_m": None, "cue_m": None, "state": EndState.NEUTRAL}
    left, right = (with_fields(tick(0).left, **nothing) for _ in range(2))
    seen = text(left=left, right=right, steer_m=None, crossfall=None, speed_mps=None,
                distance_m=None, mode=Mode.NEUTRAL, why="No reference in view.")  # fmt: skip
    for words in (
        "NEUTRAL  No reference in view.", "error unknown", "no reference", "no steering cue",
        "actual unknown", "speed unknown, travelled unknown",
    ):  # fmt: skip
        assert words in seen
    assert "None" not in seen


def test_a_long_reason_and_many_faults_do_not_move_the_rest() -> None:
    short = shown(why="Automatic.")
    long = shown(why="The blade is too far off its target. Bring it near by hand, then engage." * 2)
    rows = [next(n for n, row in enumerate(lines) if "LEFT END" in row) for lines in (short, long)]
    assert rows[0] == rows[1]
    shown(faults=("inertial silent", "bar silent", "speed silent", "air silent") * 3)


@pytest.mark.parametrize("width", range(50, 200, 7))
@pytest.mark.parametrize("height", range(12, 60, 5))
def test_any_size_is_filled_and_not_passed(width: int, height: int) -> None:
    assert "q stops the run" in shown((width, height))[-1]


def test_a_window_that_is_too_small_says_so() -> None:
    assert "Make the window 50 x 12 or larger" in text((70, 8))


def test_before_the_first_tick_the_cautions_stand_whole() -> None:
    lines = screen(Known(hello=HELLO), 60, 24)
    seen = " ".join(" ".join(lines).split())
    assert "It can move the blade without warning." in seen
    assert "Be able to shut off the hydraulics by hand at any moment." in seen
    assert "Starting ..." in seen


def test_the_newest_note_is_shown() -> None:
    known = Known(hello=HELLO, tick=a_tick(), notes=["one", "The recording has stopped."])
    seen = "\n".join(screen(known, 80, 24))
    assert "Note       The recording has stopped." in seen
    known.stopping = True
    assert "stopping ..." in screen(known, 80, 24)[-1]


def blade_rows(lines: list[str], column: int) -> list[tuple[int, str]]:
    return [(n, row[column]) for n, row in enumerate(lines) if column < len(row)
            and row[column] in THIRDS]  # fmt: skip


def test_the_picture_is_to_scale() -> None:
    lines = draw(-10.0, 10.0, width=80, rows=7, row_mm=5.0, blade_m=1.8)
    assert len(lines) == 8
    assert "one row 5 mm, blade 1.80 m wide" in lines[-1]
    assert lines[0].strip().startswith("+15 mm")
    assert lines[6].strip().startswith("-15 mm")
    assert lines[3].strip().startswith("target")
    first, last = LABEL + 1 + MARGIN, 80 - 2 - MARGIN
    assert blade_rows(lines, first) == [(5, "━")]  # two rows of 5 mm below the target
    assert blade_rows(lines, last) == [(1, "━")]
    for column in range(first, last + 1):
        assert len(blade_rows(lines, column)) == 1


@pytest.mark.parametrize(
    ("mm", "row", "glyph"),
    [(0.0, 1, "━"), (1.6, 1, "▔"), (3.4, 0, "▁"), (-1.6, 1, "▁"), (-3.4, 2, "▔"), (-5.0, 2, "━")],
)
def test_a_third_of_a_row(mm: float, row: int, glyph: str) -> None:
    lines = draw(mm, mm, width=60, rows=3, row_mm=5.0, blade_m=1.8)
    assert blade_rows(lines, 30) == [(row, glyph)]


def test_what_lies_beyond_the_picture_is_not_drawn_at_its_rim_as_if_it_were_there() -> None:
    lines = draw(80.0, -80.0, width=60, rows=3, row_mm=5.0, blade_m=1.8)
    assert "^" in lines[0]
    assert "v" in lines[2]


def test_one_unknown_end_is_not_drawn() -> None:
    lines = draw(None, 4.0, width=60, rows=3, row_mm=5.0, blade_m=1.8)
    assert blade_rows(lines, LABEL + 1 + MARGIN) == []
    assert blade_rows(lines, 60 - 2 - MARGIN) != []


def test_the_scale_widens_at_once_and_narrows_late() -> None:
    scale = Scale()
    assert scale.choose([3.0, -4.0], 5) == 5.0
    assert scale.choose([13.0], 5) == 10.0
    assert scale.choose([11.0], 5) == 10.0  # would fit the finer one, but narrowly
    assert scale.choose([5.0], 5) == 5.0
    assert scale.choose([500.0], 5) == 50.0
    assert scale.choose([], 5) == 2.0


def test_a_line_of_text_and_an_object() -> None:
    one = line(a_tick(), 0.0)
    for words in (
        "42.0 s  auto", "left led: -4.0 mm, raise 4 mm", "steer left 35 mm",
        "crossfall 1.93 % (target 2.00 %)", "speed 0.50 m/s at 12.3 m", "no fault",
    ):  # fmt: skip
        assert words in one
    found = as_dict(a_tick(steer_m=None), 0.0)
    assert (found["left"]["error_mm"], found["left"]["raise_mm"]) == (-4.0, 4.0)
    assert found["steer_left_mm"] is None
    assert found["crossfall_pct"] == pytest.approx(1.93)


def test_zero_has_no_sign() -> None:
    assert signed_mm(-0.00004) == "0.0"
    assert signed_mm(0.0012) == "+1.2"
    assert speed_words(-0.004) == "0.00 m/s"


def test_the_printer_prints_a_line_a_second() -> None:
    import msgspec

    def frame(value: Any) -> bytes:
        return msgspec.msgpack.encode(value)

    printer = Printer(as_json=False)
    assert printer.frame(Kind.HELLO, frame(HELLO)) == ""
    printed = [
        n for n in range(500) if printer.frame(Kind.TICK, frame(a_tick(time_s=0.003 + n * 0.01)))
    ]
    assert printed == [0, 100, 200, 300, 400]
    assert printer.frame(Kind.NOTE, frame("words")) == "Note: words"
    assert STALE in printer.silence()
    assert Printer(as_json=True).frame(Kind.NOTE, frame("words")) == '{"note":"words"}'
