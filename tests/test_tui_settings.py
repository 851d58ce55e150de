"""The rows of the settings screen: what stands there, and what each asks for."""

import pytest

from firmware_py.messages import (
    Guide,
    HoldEnd,
    Nudge,
    NudgeCrossfall,
    SetDeadBand,
    SetGate,
    SetGuide,
    Side,
)
from tests import tui_made as made
from tui.acts import Ask, Put, Say, Seen
from tui.known import Known
from tui.options import Options, OptionsError
from tui.setting_rows import setting_rows
from tui.units import Fall, ReadingError, System, Units

NAMES = [row.name for row in setting_rows()]
LEFT, RIGHT = Side.LEFT, Side.RIGHT


def seen(options: Options | None = None, age_s: float = 0.0, **changes: object) -> Seen:
    known = Known()
    known.take([made.hello(), made.beat(**changes)])
    return Seen(known, made.NOW + age_s, options or Options())


def row(name: str):  # type: ignore[no-untyped-def]
    return setting_rows()[NAMES.index(name)]


@pytest.mark.parametrize(
    ("name", "value", "allowed"),
    [
        ("Left height", "+2.0 mm", "-200.0 to 200.0 mm"),
        ("Right height", "0.0 mm", "-200.0 to 200.0 mm"),
        ("Crossfall", "2.00 % to the right", "-10.00 to 10.00 %"),
        ("Range gate, near half", "60.0 mm", "10.0 to 300.0 mm"),
        ("Range gate, far half", "50.0 mm", "10.0 to 300.0 mm"),
        ("Dead band, half", "1.5 mm", "0.5 to 10.0 mm"),
        ("Left datum", "152.0 mm", ""),
        ("Right datum", "none set", ""),
        ("Left guide", "string", ""),
        ("Right guide", "fall", ""),
        ("Left hold", "led", ""),
        ("Undo", "nothing to undo", ""),
        ("Height step", "2.0 mm", "0.3 to 50.0 mm"),
        ("Crossfall step", "0.10 %", "0.01 to 1.00 %"),
    ],
)
def test_each_row_shows_the_present_value_and_its_range(
    name: str, value: str, allowed: str
) -> None:
    cell = row(name).cell(seen())
    assert (cell.value, cell.allowed) == (value, allowed)


def test_units_are_the_drivers() -> None:
    options = Options(units=Units(System.US, Fall.ONE_IN))
    assert row("Left height").cell(seen(options)).value == "+0.08 in"
    assert row("Left datum").cell(seen(options)).value == "5.98 in"
    assert row("Crossfall").cell(seen(options)).value == "1:50.0 to the right"


@pytest.mark.parametrize(
    ("name", "sign", "ask"),
    [
        ("Left height", 1, Ask(Nudge, (LEFT, 0.002))),
        ("Right height", -1, Ask(Nudge, (RIGHT, -0.002))),
        ("Crossfall", 1, Ask(NudgeCrossfall, (0.001,))),
        ("Range gate, near half", 1, Ask(SetGate, (pytest.approx(0.065), 0.05))),
        ("Range gate, far half", -1, Ask(SetGate, (0.06, pytest.approx(0.045)))),
        ("Dead band, half", 1, Ask(SetDeadBand, (pytest.approx(0.002),))),
        ("Left hold", 1, Ask(HoldEnd, (LEFT, True))),
    ],
)
def test_a_step_asks_for_one_step(name: str, sign: int, ask: Ask) -> None:
    """Offset > 0 raises the target, crossfall > 0 falls to the right (design.md, signs)."""
    assert row(name).step(seen(), sign) == ask


@pytest.mark.parametrize(
    ("name", "text", "ask"),
    [
        ("Left height", "5", Ask(Nudge, (LEFT, pytest.approx(0.003)))),
        ("Left height", "-1mm", Ask(Nudge, (LEFT, pytest.approx(-0.003)))),
        ("Crossfall", "1:40", Ask(NudgeCrossfall, (pytest.approx(0.005),))),
        ("Range gate, far half", "80", Ask(SetGate, (0.06, pytest.approx(0.08)))),
        ("Dead band, half", "0.1in", Ask(SetDeadBand, (pytest.approx(0.00254),))),
        ("Left guide", "by hand", Ask(SetGuide, (LEFT, Guide.BY_HAND))),
    ],
)
def test_a_typed_value_asks_for_the_way_there(name: str, text: str, ask: Ask) -> None:
    assert row(name).typed(seen(), text) == ask


def test_a_held_end_is_let_go() -> None:
    now = seen(right=made.end_tick(held=True))
    assert row("Right hold").cell(now).value == "held"
    assert row("Right hold").enter(now) == Ask(HoldEnd, (RIGHT, False))


@pytest.mark.parametrize("name", NAMES[:13])
def test_old_data_sends_nothing(name: str) -> None:
    act = row(name).enter(seen(age_s=0.31))
    assert isinstance(act, Say)
    assert "no fresh data" in act.words
    assert not isinstance(row(name).enter(seen(age_s=0.29)), Say)


def test_a_dashboard_that_only_looks_asks_for_nothing() -> None:
    known = Known()
    known.take([made.hello(may_ask=False), made.beat()])
    act = row("Left height").step(Seen(known, made.NOW, Options()), 1)
    assert isinstance(act, Say)
    assert "may only look" in act.words


def test_without_a_tick_values_are_not_known() -> None:
    known = Known()
    known.take([made.hello()])
    now = Seen(known, made.NOW, Options())
    cells = {one.name: one.cell(now) for one in setting_rows()}
    assert {name for name, cell in cells.items() if cell.value == "not known"} == set(NAMES[:13])
    assert all(isinstance(one.step(now, 1), Say) for one in setting_rows()[:13])


def test_the_steps_go_up_and_down_a_ladder_and_stop_at_its_ends() -> None:
    options, steps = Options(), []
    while isinstance(act := row("Height step").step(seen(options), 1), Put):
        options = act.options
        steps.append(options.nudge_step_m)
    assert steps == [0.005, 0.01, 0.02, 0.05]
    assert "no larger step" in act.words
    odd = Options(nudge_step_m=0.003)
    down = row("Height step").step(seen(odd), -1)
    assert down == Put(Options(nudge_step_m=0.002))
    us = Options(units=Units(System.US), nudge_step_m=0.0254 * 0.1)
    assert row("Height step").step(seen(us), 1) == Put(us.with_steps(nudge_step_m=0.0254 * 0.2))


def test_a_typed_step_has_its_range() -> None:
    act = row("Height step").typed(seen(), "3")
    assert isinstance(act, Put)
    assert act.options.nudge_step_m == pytest.approx(0.003)
    with pytest.raises(OptionsError, match="a step lies between"):
        row("Height step").typed(seen(), "51")
    with pytest.raises(ReadingError, match="is no length"):
        row("Height step").typed(seen(), "x1")
