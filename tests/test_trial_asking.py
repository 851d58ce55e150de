"""Asking again: bounded, each request by itself, and done only when the valves are led."""

from __future__ import annotations

from functools import partial
from itertools import count
from typing import Any

import pytest
from test_journal_making import tick

from firmware_py.live.operator import TRIES, Operator
from firmware_py.messages import (
    Answer,
    AnyRequest,
    EndState,
    Engage,
    Mode,
    SetDatum,
    Side,
    Tick,
)
from firmware_py.trial.asking import RETRY_S, TRY_S, Asking


def with_fields(struct: Any, **changes: Any) -> Any:
    return type(struct)(**({f: getattr(struct, f) for f in struct.__struct_fields__} | changes))


def seen(state: EndState = EndState.HOLD, *answers: Answer) -> Tick:
    blank = tick(0)
    left, right = (with_fields(end, state=state) for end in (blank.left, blank.right))
    changed: Tick = with_fields(blank, left=left, right=right, answers=answers, why="It is off.")
    return changed


def datum(end: Side, number: int) -> AnyRequest:
    return SetDatum(number, end)


def both() -> Asking:
    return Asking([partial(datum, side) for side in Side], count(1), 10.0)


def test_only_what_was_refused_is_asked_again_and_not_at_once() -> None:
    asking = both()
    assert [r.number for r in asking.update(10.0, None)] == [1, 2]
    told = seen(EndState.NEUTRAL, Answer(1, True, ""), Answer(2, False, "wait"))
    assert asking.update(10.01, told) == []
    assert asking.update(10.0 + RETRY_S - 0.01, seen()) == []
    assert asking.update(10.0 + RETRY_S, seen()) == [SetDatum(3, Side.RIGHT)]
    assert not asking.done
    assert asking.update(11.01, seen(EndState.NEUTRAL, Answer(3, True, ""))) == []
    assert asking.done


def test_the_answers_to_others_do_not_count() -> None:
    asking = both()
    asking.update(10.0, None)
    asking.update(10.01, seen(EndState.HOLD, Answer(7, True, ""), Answer(8, True, "")))
    assert not asking.done


@pytest.mark.parametrize(("after", "failed"), [(TRY_S - 0.01, ""), (TRY_S, "unsure")])
def test_it_gives_up_with_the_last_reason(after: float, failed: str) -> None:
    asking = both()
    asking.update(10.0, None)
    asking.update(
        10.01, seen(EndState.HOLD, Answer(1, False, "unsure"), Answer(2, False, "unsure"))
    )
    asking.update(10.0 + after, seen())
    assert asking.failed == failed


def test_engaging_is_done_only_once_no_valve_is_neutral() -> None:
    asking = Asking([Engage], count(1), 10.0, leads=True)
    assert asking.update(10.0, None) == [Engage(1)]
    assert asking.update(10.01, seen(EndState.NEUTRAL, Answer(1, True, ""))) == []
    assert not asking.done
    assert asking.update(10.0 + RETRY_S, seen(EndState.NEUTRAL)) == [Engage(2)]  # lost again: anew
    asking.update(11.01, seen(EndState.HOLD, Answer(2, True, "")))
    assert asking.done


class Body:
    """A person who notes the speeds driven."""

    def __init__(self) -> None:
        self.driven: list[float] = []

    def cue(self, now_s: float, lateral_m: float | None) -> None: ...

    def drive(self, speed_mps: float) -> None:
        self.driven.append(speed_mps)

    def enable(self, held: bool) -> None: ...

    def hand(self, end: str, lever: float | None) -> None: ...


@pytest.mark.parametrize("mode", [Mode.NEUTRAL, Mode.AUTO])
def test_the_live_driver_drives_off_only_in_automatic(mode: Mode) -> None:
    """Engage is granted each time; where the mode stays neutral, the driver gives up."""
    body = Body()
    operator = Operator(body, 0.5, 5.0)
    operator._go(operator._engage, with_fields(seen(), time_s=0.0))
    asked = 0
    for n in range(100 * (2 * TRIES + 5)):
        for request in operator.take():
            asked += isinstance(request, Engage)
            operator.hear(Answer(request.number, True, ""))
        operator.put(with_fields(seen(), time_s=n * 0.01, mode=mode, speed_mps=0.0))
        if operator.finished or 0.5 in body.driven:
            break
    assert (0.5 in body.driven) is (mode is Mode.AUTO)
    assert operator.failed == ("" if mode is Mode.AUTO else "It is off.")
    assert asked == (1 if mode is Mode.AUTO else TRIES)
