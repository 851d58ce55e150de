"""Strip matched to strip: the random walk's formula against a Monte Carlo of strips laid out."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.commands import cli
from firmware_py.commission.budget import Conditions, budget
from firmware_py.setout.passes import STAYS, Growth, growth
from firmware_py.settings_file import find_rig, load_rig

RUNS = 20_000


def test_the_growth_is_that_of_strips_laid_side_by_side() -> None:
    rig = load_rig(find_rig("reference"))
    found = budget(rig)
    grows = growth(found, start=1e-3, datum=1e-3)
    gen = np.random.default_rng(5)
    # every line of the budget drawn by itself: what stays once a run, the rest anew each strip
    edge = 1e-3 * gen.standard_normal(RUNS)
    stays = sum(
        line.other * gen.standard_normal(RUNS) for line in found.lines if line.name in STAYS
    )
    for strips in range(1, 9):
        edge = edge + stays + 1e-3 * gen.standard_normal(RUNS)
        for line in found.lines:
            if line.name not in STAYS:
                edge = edge + line.other * gen.standard_normal(RUNS)
        # sd of an sd from 20 000 draws is 0.5 %: four of them
        assert grows.at(strips) == pytest.approx(float(edge.std()), rel=0.02)


def test_the_names_of_what_stays_are_the_budgets() -> None:
    names = {line.name for line in budget(load_rig(find_rig("reference")), Conditions()).lines}
    assert names >= STAYS


def test_a_walk_grows_with_the_root_and_what_stays_in_proportion() -> None:
    assert Growth(0.0, 2e-3, 0.0).at(9) == pytest.approx(6e-3)
    assert Growth(0.0, 0.0, 2e-3).at(9) == pytest.approx(18e-3)
    assert Growth(3e-3, 2e-3, 0.0).at(4) == pytest.approx(5e-3)


def test_a_level_is_due_before_the_tolerance_is_passed() -> None:
    grows = Growth(0.0, 1e-3, 0.0)
    # 2 sqrt(n) mm: 6 mm is passed after 9
    assert grows.strips_within(6.0e-3) == 9
    assert grows.strips_within(1.9e-3) == 0
    assert Growth(0.0, 0.0, 0.0).strips_within(1e-3) == 1000


def test_the_command_tells_each_strip_and_when_to_level() -> None:
    result = CliRunner().invoke(cli, ["passes", "--strips", "4", "--json"])
    found = json.loads(result.stdout)
    widths = found["far_edge_k2_mm"]
    assert len(widths) == 4
    u = [found["start_u_mm"], found["anew_u_mm"], found["stays_u_mm"]]
    assert widths[3] == pytest.approx(2 * math.sqrt(u[0] ** 2 + 4 * u[1] ** 2 + 16 * u[2] ** 2))
    within = found["level_after_strips"]
    assert widths[within - 1] <= 10.0 < widths[within]
    words = CliRunner().invoke(cli, ["passes", "--strips", "4"]).stdout
    assert f"Come back to a level after {within} strips" in words
