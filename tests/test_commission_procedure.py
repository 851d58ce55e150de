"""What runs a procedure: answers, confirmation, gaps, the end."""

from __future__ import annotations

import pytest

from firmware_py.commission.estimate import CommissionError, Estimate, Surprise, Term, widened
from firmware_py.commission.procedure import (
    MAX_GAP_S,
    Given,
    Next,
    Procedure,
    Steps,
    for_seconds,
    until_said,
)


def _steps() -> Steps[str]:
    """Asks, confirms, moves for a while."""
    given = yield from until_said("Ready?", "ready")
    name = str(given.said)
    yield from until_said("Sure?", "confirm")
    given = yield Next("Moving.", valves=(0.3, 0.0), moves=True)
    start = given.now_s
    while given.now_s < start + 0.05:
        given = yield Next("Moving.", valves=(0.3, 0.0), moves=True)
    if name == "trouble":
        raise Surprise("It went the wrong way.")
    return name


def _to_moving(name: str = "x") -> Procedure[str]:
    procedure = Procedure(_steps())
    assert procedure.next.ask == "ready"
    assert procedure.step(1.00, ()).ask == "ready"
    assert procedure.step(1.01, (), name).ask == "confirm"
    assert procedure.step(1.02, (), "yes").valves == (0.3, 0.0)
    return procedure


def test_to_its_end() -> None:
    procedure = _to_moving("x")
    now = 1.02
    while not procedure.done:
        now += 0.01
        after = procedure.step(now, ())
    assert procedure.result == "x"
    assert procedure.error is None
    assert after.valves == (0.0, 0.0)
    assert procedure.step(now + 9.0, ()) == after


@pytest.mark.parametrize("said", ["no", "", "YES", 1.0])
def test_nothing_but_yes_confirms(said: str | float) -> None:
    procedure = Procedure(_steps())
    procedure.step(1.0, (), "x")
    after = procedure.step(1.01, (), said)
    assert after.done
    assert after.valves == (0.0, 0.0)
    assert isinstance(procedure.error, CommissionError)
    assert procedure.result is None


def test_a_surprise_shuts_the_valves_at_once() -> None:
    procedure = _to_moving("trouble")
    now = 1.02
    while not procedure.done:
        assert procedure.next.valves == (0.3, 0.0)
        now += 0.01
        procedure.step(now, ())
    assert procedure.next.valves == (0.0, 0.0)
    assert isinstance(procedure.error, Surprise)
    assert procedure.next.words == "It went the wrong way."


@pytest.mark.parametrize(("gap", "ends"), [(MAX_GAP_S - 0.001, False), (MAX_GAP_S + 0.001, True)])
def test_a_gap_while_moving(gap: float, ends: bool) -> None:
    procedure = _to_moving()
    after = procedure.step(1.02 + gap, ())
    assert after.done is ends
    assert isinstance(procedure.error, Surprise) is ends


def test_a_gap_while_asking_is_a_person_who_thinks() -> None:
    procedure = Procedure(_steps())
    procedure.step(1.0, ())
    assert not procedure.step(500.0, ()).done


@pytest.mark.parametrize("now", [1.02, 0.5, float("nan")])
def test_a_clock_that_does_not_advance_ends_it(now: float) -> None:
    procedure = _to_moving()
    assert procedure.step(now, ()).valves == (0.0, 0.0)
    assert isinstance(procedure.error, Surprise)


def test_stopped_by_the_person() -> None:
    procedure = _to_moving()
    assert procedure.stop().valves == (0.0, 0.0)
    assert procedure.step(2.0, ()).done
    assert procedure.result is None


def test_for_seconds_hands_over_everything_and_tells_its_share() -> None:
    seen: list[float] = []

    def watch(given: Given) -> None:
        seen.append(given.now_s)

    procedure = Procedure(for_seconds("Wait.", 1.0, watch))
    assert [procedure.step(5.0 + 0.25 * k).share for k in range(5)] == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert seen == [5.0, 5.25, 5.5, 5.75, 6.0]
    assert procedure.done


def test_an_estimate_by_hand() -> None:
    """3 and 4 make 5; k = 2."""
    one = Estimate(10.0, "mm", 3.0, (Term("rule", 4.0),))
    assert one.u == pytest.approx(5.0)
    assert (one.low, one.high) == pytest.approx((0.0, 20.0))
    assert one.covers(19.9)
    assert not one.covers(20.1)
    assert one.scaled(-0.1, "cm").u == pytest.approx(0.5)


def test_few_data_are_widened_by_the_t_distribution() -> None:
    """JCGM 101:2008, 6.4.9.4: sd of t is sqrt(dof / (dof - 2)); for 7, 1.183."""
    assert widened(1.0, 7.0) == pytest.approx(1.1832, abs=1e-4)
    with pytest.raises(CommissionError, match="at least 4"):
        widened(1.0, 3.0)
