"""The driver's inputs: enable, and the sensing of a hand on either lever.

Wiring on hardware: as the rig file names it (docs/valves.md, docs/board.md); engine off. A person
holds and lets go as asked at the terminal. No test here moves oil.
"""

from __future__ import annotations

import random
from itertools import pairwise

from drivers import protocols
from drivers.samples import DriverSample
from hil_tests.bench import TICK_S, Bench
from hil_tests.unplugged import unplug_and_replug

OFF = {"enable": False, "left": False, "right": False}


def last(bench: Bench, seconds: float) -> tuple[bool, bool, bool]:
    found = [s for _, s in bench.listen(seconds) if isinstance(s, DriverSample)]
    assert found, bench.trouble()
    return found[-1].enable, found[-1].left_hand, found[-1].right_hand


def test_they_are_inputs_and_come_in_order(inputs: Bench) -> None:
    assert isinstance(inputs.device, protocols.DriverInputs)
    inputs.settle()
    got = [s for _, s in inputs.listen(3.0)]
    assert len(got) >= 0.7 * 3.0 / inputs.period_s
    assert all(a.time_s < b.time_s for a, b in pairwise(got))


def test_each_switch_is_what_it_is_called(inputs: Bench) -> None:
    press = inputs.need("press")
    inputs.settle()
    for which in ("enable", "left", "right"):
        wait = press(**{**OFF, which: True})
        assert last(inputs, wait + 0.1) == tuple(name == which for name in OFF)


def test_letting_enable_go_counts_with_the_next_sample(inputs: Bench) -> None:
    press = inputs.need("press")
    inputs.settle()
    assert last(
        inputs,
        press(
            **OFF,
        )
        + 0.1,
    ) == (False, False, False)
    assert last(inputs, press(enable=True) + 0.1)[0]
    press(enable=False)
    longest = max(inputs.period_s, 0.02) + 0.02 + TICK_S
    found = [s for _, s in inputs.listen(longest) if isinstance(s, DriverSample)]
    assert not found[-1].enable


def test_a_hand_counts_with_the_next_sample(inputs: Bench) -> None:
    press = inputs.need("press")
    inputs.settle()
    assert last(inputs, press(**{**OFF, "enable": True}) + 0.1) == (True, False, False)
    press(right=True)
    longest = max(inputs.period_s, 0.02) + 0.02 + TICK_S
    found = [s for _, s in inputs.listen(longest) if isinstance(s, DriverSample)]
    assert found[-1].right_hand


def test_dead_inputs_are_seen_within_three_periods(inputs: Bench) -> None:
    kill, dead = inputs.need("kill"), inputs.need("dead")
    inputs.settle()
    inputs.listen(0.5)
    assert not dead(inputs.clock())
    kill()
    inputs.listen(4 * inputs.period_s + 2 * TICK_S)
    assert dead(inputs.clock())


def test_unplugged_they_give_nothing_and_come_back(inputs: Bench) -> None:
    unplug_and_replug("inputs", inputs)
    inputs.settle()


def test_bad_bytes_are_counted_and_they_go_on(inputs: Bench) -> None:
    babble, counts = inputs.need("babble"), inputs.need("counts")
    inputs.settle()
    rng = random.Random(3)
    for _ in range(50):
        babble(rng.randbytes(40))
        inputs.listen(0.02)
    assert sum(c for n, c in counts().items() if n.startswith("bad")) > 0
    inputs.listen(1.0)
    inputs.settle()
