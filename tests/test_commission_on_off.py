"""On/off valves: what is found of them, from pulses made by hand, and what a run makes of it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.act.actuate import Actuate
from firmware_py.act.limiter import Limiter
from firmware_py.act.valve import Pulser
from firmware_py.commands import cli
from firmware_py.commission.book import Book
from firmware_py.commission.budget import budget
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.in_force import in_force
from firmware_py.commission.on_off import Switch, Try, least_on, switch
from firmware_py.commission.pulse_fit import Pulse, moved
from firmware_py.commission.tune import hold_s
from firmware_py.live.scene import scene_for
from firmware_py.messages import SIDES, Side
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig
from firmware_py.trial.setup import truth_for

REFERENCE = find_rig("reference").read_text(encoding="utf-8")
LENGTHS = (0.12, 0.2, 0.32)  # s, of the pulses
TRUE = (0.110, 0.05, 0.095, 0.07)  # opens, lag, closes (s), full (rad/s)
TIMES = np.arange(-0.1, 1.4, 0.005)


def _pulse(length: float, true: tuple[float, ...] = TRUE, factor: float = 1.0) -> Pulse:
    """By the integral of a first-order response to a span of full opening."""
    opens, lag, closes, full = true
    way = moved(TIMES - opens, lag) - moved(TIMES - length - closes, lag)
    return Pulse(1.0, 0.0, length, TIMES, factor * full * np.diff(way) / 0.005)


def test_opening_closing_lag_and_rate_without_noise() -> None:
    found = switch([_pulse(length) for length in LENGTHS])
    got = (found.opens_s, found.lag_s, found.closes_s, found.full)
    assert got == pytest.approx(TRUE, abs=2e-5)
    assert found.lost.value == pytest.approx(0.015, abs=3e-5)


def test_the_stated_spread_is_the_real_one() -> None:
    """40 fits with white noise: z scores have sd 1, of what a pulse loses as well."""
    gen = np.random.default_rng(6)
    scores = []
    for _ in range(40):
        pulses = []
        for length in LENGTHS:
            p = _pulse(length)
            noisy = p.rate + 0.003 * gen.standard_normal(p.rate.size)
            pulses.append(Pulse(1.0, 0.0, length, TIMES, noisy))
        found = switch(pulses)
        value = np.array([found.opens_s, found.lag_s, found.closes_s, found.full])
        lost = (found.lost.value - 0.015) / found.lost.type_a
        scores.append([*((value - np.array(TRUE)) / found.sd), lost])
    assert np.std(scores, axis=0) == pytest.approx(np.ones(5), abs=0.35)
    assert np.mean(scores, axis=0) == pytest.approx(np.zeros(5), abs=0.55)


@pytest.mark.parametrize(("factor", "ok"), [(0.8, True), (0.45, False)])
def test_a_valve_that_sticks_is_told(factor: float, ok: bool) -> None:
    pulses = [_pulse(length) for length in LENGTHS * 2] + [_pulse(0.2, factor=factor)]
    if ok:
        switch(pulses)
        return
    with pytest.raises(CommissionError, match="A pulse of 200 ms moved 0"):
        switch(pulses)


FOUND = Switch(0.11, 0.05, 0.095, 0.07, np.diag([1e-8, 1e-8, 1e-8, 1e-8]))


def _try(ms: float, moved: float) -> Try:
    return Try(Side.LEFT, 1.0, 1e-3 * ms, 5, moved, 1.5e-3)


def test_the_least_on_time_by_hand() -> None:
    """20 and 30 ms moved nothing, 40 did. 30 ms would have rolled 5 x 70 x 15e-3 = 5.25 mrad, more
    than twice 1.5: so between 30 and 40, and sqrt(2.887^2 + 0.577^2) = 2.944 ms."""
    found = least_on([_try(20, 0.0), _try(30, 0.4e-3), _try(40, 8e-3)], FOUND)
    assert found.value == pytest.approx(0.035)
    assert found.u == pytest.approx(2.944e-3, abs=1e-6)


def test_a_pulse_that_might_have_moved_unseen_says_nothing() -> None:
    """At 25 ms 5 x 70 x 10e-3 = 3.5 mrad would be seen, at 22 ms 2.45 would not for certain."""
    assert least_on([_try(25, 0.0), _try(40, 8e-3)], FOUND).value == pytest.approx(0.0325)
    low = 0.015 - 2.0 * math.sqrt(2e-8 + 1e-6 / 3.0)  # what a pulse loses at least
    unsure = least_on([_try(22, 0.0), _try(40, 8e-3)], FOUND)
    assert unsure.value == pytest.approx(0.5 * (low + 0.040))


def test_no_try_that_moved_is_refused() -> None:
    with pytest.raises(CommissionError, match="do it again"):
        least_on([_try(20, 0.0)], FOUND)


@pytest.mark.parametrize("lost", [(0.0, 0.0), (1.4, -0.6)])
@pytest.mark.parametrize("share", [0.1, -0.35, 0.8, -1.0])
def test_what_pulses_lose_is_made_up_for(share: float, lost: tuple[float, float]) -> None:
    """Oil counted by hand: each run of ticks moves for itself less what its opening loses."""
    pulser, oil, last = Pulser(5, lost), 0.0, 0.0
    for _ in range(4000):
        command = pulser.update(share)
        fresh = command not in (last, 0.0)
        oil += command * (1.0 - lost[command < 0.0] if fresh else 1.0)
        last = command
    assert oil == pytest.approx(4000 * share, abs=6.0)


def test_a_pulse_that_loses_all_is_refused() -> None:
    Pulser(5, (4.9, 0.0))
    with pytest.raises(ValueError, match="moves nothing"):
        Pulser(5, (0.0, 5.0))


def test_an_on_off_valve_gets_all_at_once_and_nothing_else_is_given_away() -> None:
    limiter = Limiter(1.0, 1.0, math.inf)
    assert limiter.update(0.0, 1.0, 1.0, True) == (0.0, 0.0)  # the first is neutral
    assert limiter.update(0.01, 1.0, -1.0, True) == (1.0, -1.0)
    assert limiter.update(0.02, -1.0, 0.0, True) == (-1.0, 0.0)
    assert limiter.update(0.03, 1.0, 1.0, False) == (0.0, 0.0)
    for bad in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError, match="more than 0 is right"):
            Limiter(1.0, 1.0, bad)


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reference rig with on/off valves, whose pulses are shorter than they can follow."""
    path = tmp_path_factory.mktemp("rig") / "rig.toml"
    path.write_text(
        REFERENCE.replace("[valves]", "[valves]\npulsed = true\npulse_ms = 20"), "utf-8"
    )
    return path


def _play(store: Path, rig: Path, *words: str, said: str = "") -> str:
    given = [*words, "--rig", str(rig), "--store", str(store)]
    result = CliRunner().invoke(cli, given, input=said)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def store(rig_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("state")
    _play(folder, rig_file, "valves", said="\nyes\n")
    return folder


def test_the_command_finds_the_simulated_coils(store: Path) -> None:
    """drivers/simulated/reference.py: 35 and 30 ms to pull in, 20 and 15 to let go; the stated
    80 ms are the mean of opening and closing, so the line has 55 of them."""
    found = json.loads((store / "reference" / "valves.json").read_bytes())["values"]
    for side in SIDES:
        for name, true in (
            ("least up", 0.035), ("least down", 0.030), ("opens up", 0.090),
            ("opens down", 0.085), ("closes up", 0.075), ("closes down", 0.070),
            ("lost up", 0.015), ("lost down", 0.015), ("dead time", 0.080), ("up", 0.090),
            ("down", 0.120), ("lag", 0.050), ("cylinder", 0.6), ("asymmetry", 4.0 / 3.0),
        ):  # fmt: skip
            one = found[f"{side.value} {name}"]
            assert abs(one["value"] - true) < 3.0 * one["u"], name
            assert one["u"] < (0.02 * true if name in ("up", "down") else 0.05), name


def test_it_is_in_force_and_short_pulses_are_not(rig_file: Path, store: Path) -> None:
    stated = load_rig(rig_file)
    held = in_force(stated, Book(store, stated))
    assert held.refused == []
    assert held.applied == ["valves"]
    valves, found = held.rig.valves, held.rig.calibration.valves
    assert valves is not None
    assert valves.pulse_ms == 50.0  # 35 + 2 x 3.06 ms, in whole ticks of 10
    assert any("pulse_ms = 20" in told and "50 ms acts" in told for told in held.told)
    assert valves.dead_time_ms == pytest.approx(80.0, abs=1.5)
    assert found[Side.LEFT].least_up_ms == pytest.approx(35.0, abs=6.0)
    assert found[Side.LEFT].overlap_up_pct == 0.0
    pulser = Actuate(held.rig).pulsers[Side.LEFT]
    assert pulser.pulse_ticks == 5
    assert hold_s(held.rig) == 0.05
    pulser.update(1.0)
    while pulser.update(1.0) == 0.0:
        pass
    assert pulser.worth == pytest.approx(1.0 - found[Side.LEFT].lost_up_ms / 50.0)


def test_the_twin_has_the_coils_as_found(rig_file: Path, store: Path) -> None:
    stated = load_rig(rig_file)
    held = in_force(stated, Book(store, stated)).rig
    truth = truth_for(scene_for(held), held).valves
    assert truth.on_off
    assert truth.pull_in_s[0] == pytest.approx(0.035, abs=0.006)
    assert np.subtract(truth.pull_in_s, truth.let_go_s) == pytest.approx([0.015] * 2, abs=0.004)
    middle = truth.dead_time_s + 0.25 * (sum(truth.pull_in_s) + sum(truth.let_go_s))
    assert middle == pytest.approx(0.080, abs=0.002)


def test_a_map_of_the_other_kind_of_valves_does_not_act(store: Path) -> None:
    rig = load_rig(find_rig("reference"))
    needed = Rig.model_validate(rig.model_dump() | {"calibration": {"required": True}})
    told = in_force(needed, Book(store, needed)).words()
    assert "The valves' map is of on/off valves, and valves.pulsed says otherwise" in told


def test_tune_budget_and_undo(rig_file: Path, store: Path) -> None:
    told = _play(store, rig_file, "tune", "--trial", "0")
    assert "Pulses count as a hold of 50 ms" in told
    assert "ms of delay margin" in told
    assert "pulses" in _play(store, rig_file, "budget")
    assert "there was none before it" in _play(store, rig_file, "tune", "--undo")


def test_the_step_of_a_pulse_in_the_budget_by_hand(rig_file: Path) -> None:
    """120 mm/s for 20 ms is 2.4 mm: +-1.2 mm, rectangular 0.693 mm; over 1.8 m, two ends, 0.0544 %.
    With 5 ms of it lost, 15 ms."""
    rig = load_rig(rig_file)
    line = budget(rig).lines[-1]
    assert (line.name, line.led) == ("pulses", pytest.approx(0.6928e-3, rel=1e-3))
    assert line.crossfall == pytest.approx(0.5443e-3, rel=1e-3)
    one = {
        "up_mm_s": 90, "down_mm_s": 120, "overlap_up_pct": 0, "overlap_down_pct": 0,
        "cylinder_mm": 600, "least_up_ms": 15, "least_down_ms": 15, "lost_up_ms": 5,
        "lost_down_ms": 5,
    }  # fmt: skip
    both = {"calibration": {"valves": {"left": one, "right": one}}}
    lost = Rig.model_validate(rig.model_dump(mode="json") | both)
    assert budget(lost).lines[-1].led == pytest.approx(0.75 * 0.6928e-3, rel=1e-3)
    assert "pulses" not in [x.name for x in budget(load_rig(find_rig("reference"))).lines]


@pytest.mark.parametrize(("key", "most"), [("least_up_ms", 20), ("lost_down_ms", 19.9)])
def test_pulses_that_would_move_nothing_are_refused(rig_file: Path, key: str, most: float) -> None:
    rig = load_rig(rig_file).model_dump(mode="json")
    one = {
        "up_mm_s": 90, "down_mm_s": 120, "overlap_up_pct": 0, "overlap_down_pct": 0,
        "cylinder_mm": 600,
    }  # fmt: skip

    def made(value: float) -> Rig:
        both = {"left": one | {key: value}, "right": one}
        return Rig.model_validate(rig | {"calibration": {"valves": both}})

    made(most)
    with pytest.raises(ValueError, match=r"valves\.pulse_ms, 20: no pulse would move"):
        made(most + 0.1)
