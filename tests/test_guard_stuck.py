"""A bar that repeats itself: when that is a fault, and when a coarse one does it rightly."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py.guard.watch import FEWEST, JUMP, StuckWatch, equal_readings

MM = 1e-3


@pytest.mark.parametrize("noise", [0.5, 1.0, 3.0])
def test_equal_readings_come_as_often_as_drawn_ones(noise: float) -> None:
    """Against a million pairs drawn by numpy, with a uniform phase of the steps."""
    gen = np.random.default_rng(5)
    true = gen.uniform(0.0, 1.0, 1_000_000)
    a, b = (np.round(true + noise * gen.standard_normal(true.size)) for _ in range(2))
    chance = float(np.mean(a == b))
    wanted = math.log(1e-6) / math.log(chance)
    assert wanted - 0.2 <= equal_readings(1.0, noise) <= wanted + 1.2


def test_a_coarse_element_has_no_such_count() -> None:
    assert equal_readings(10.0, 3.0) == math.inf  # a ranger in centimetres
    assert equal_readings(1.0, 0.3) == math.inf  # one in millimetres that filters
    assert equal_readings(1.0, 0.5) < math.inf


class Drive:
    """A bar of five whose elements say what they are told, one firing each tick."""

    def __init__(self, step_mm: float, noise_mm: float) -> None:
        self.watch = StuckWatch(5, step_mm * MM, noise_mm * MM)
        self.same = [0] * 5
        self.moved = 0.0

    def go(
        self, firings: int, *, frozen: int, moves: bool = True, rise: float = 0.0, way: float = 0.0
    ) -> bool:
        """rise: of each firing, m. True once it was told."""
        told = False
        for _ in range(firings):
            self.same = [n + 1 if k < frozen else 0 for k, n in enumerate(self.same)]
            self.moved += rise
            told |= self.watch.update(self.same, moves=moves, moved=self.moved, forward=way)
        return told


def test_noise_that_repeats_itself_while_the_blade_moves_is_a_fault() -> None:
    most = int(equal_readings(1 * MM, 1 * MM))
    assert not Drive(1, 1).go(most - 1, frozen=3)
    assert Drive(1, 1).go(most, frozen=3)
    assert not Drive(1, 1).go(10 * most, frozen=2)  # two of five are not most


def test_standing_still_nothing_repeats_itself_wrongly() -> None:
    drive = Drive(1, 1)
    assert not drive.go(1000, frozen=5, moves=False)
    assert not drive.go(int(drive.watch.most) - 1, frozen=5)  # the count begins with the motion
    assert drive.go(1, frozen=5)


@pytest.mark.parametrize(("step_mm", "noise_mm"), [(10, 3), (1, 0.3)])
def test_a_coarse_element_is_stuck_only_when_the_blade_has_risen(
    step_mm: float, noise_mm: float
) -> None:
    hidden = (2 * step_mm + 4 * noise_mm) * MM + JUMP
    assert not Drive(step_mm, noise_mm).go(1000, frozen=5)  # driven on the level, for ever
    assert not Drive(step_mm, noise_mm).go(100, frozen=5, rise=0.99 * hidden / 100)
    assert Drive(step_mm, noise_mm).go(100, frozen=5, rise=1.02 * hidden / 99)


def test_way_excuses_what_the_ground_does_unseen() -> None:
    hidden = (2 * 10 + 4 * 3) * MM + JUMP
    assert not Drive(10, 3).go(100, frozen=5, rise=1.1 * hidden / 100, way=0.01)
    assert Drive(10, 3).go(100, frozen=5, rise=1.5 * hidden / 100, way=0.01)


def test_a_range_that_changes_ends_the_run() -> None:
    drive = Drive(10, 3)
    for _ in range(20):
        assert not drive.go(9, frozen=5, rise=0.004)
        drive.go(1, frozen=0)
    assert not drive.go(FEWEST - 1, frozen=5, rise=0.1)
    assert drive.go(1, frozen=5, rise=0.1)
