"""One bar's track by hand: what becomes of each echo, the gates, own instants, losing it again.

Echoes are drawn on paper (r^2 = c^2 + off^2 inside the beam, ground behind), not by the rig.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from drivers.samples import Echo, RangePing, Validity
from firmware_py.fuse.history import History
from firmware_py.fuse.track import LOST_S, Gate, Motion, Track
from firmware_py.messages import Guide, Link, Side, Use
from firmware_py.sense.ranging import element_positions
from firmware_py.settings import Bar

SOUND = 343.2  # m/s at 20 C: ISO 9613-1
SPOTS = element_positions(5, 0.075)
BEAM = math.tan(math.radians(12.0))
GROUND = 0.13  # m below the reference
DATUM = (0.040, 0.060)  # m; near and far half of the gate, as rig files have it
OPEN = Gate(None, *DATUM)  # before a datum the whole reach
PIN = 0.050  # m proud of its string
SEEING = (400, 600, 800)  # mm of clearance
Heard = Callable[[int, float], list[float]]  # ranges of an element at an instant, nearest first


def string(c: float, y: float, *, ahead: float = 0.0, half: float = 0.0) -> Heard:
    """A string or an edge, with something `ahead` of it at the same lateral, and the ground."""

    def heard(k: int, _: float) -> list[float]:
        out = []
        for down in (c - ahead, c) if ahead else (c,):
            off = max(abs(SPOTS[k] - y) - half, 0.0)
            out += [math.hypot(down, off)] if off <= down * BEAM else []
        return [*out, c + GROUND]

    return heard


@dataclass
class Run:
    """A track that is fed one firing each 8 ms, read 20 ms later, in ticks of 10 ms."""

    guide: Guide = Guide.STRING
    width: float = 0.0
    gate: Gate = OPEN
    roll: float = 0.0
    fall: float = 0.0  # m/s; known lowering of the bar
    noise: tuple[float, float, float, float] = (4e-9, 1e-8, 1e-8, 1e-10)
    t: float = 0.0
    fired: int = 0
    lift: float = 0.0
    seen: list[Use] = field(default_factory=list)

    def __post_init__(self) -> None:
        bar = Bar(device="bar.left", turned=self.guide is Guide.SURFACE)
        self.track = Track(Side.LEFT, bar, self.guide, self.width, (1.2, 1.2))
        self.history = History()

    def run(self, seconds: float, heard: Heard) -> Track:
        for _ in range(round(seconds * 100)):
            self.t += 0.01
            self.lift -= self.fall * 0.01
            motion = Motion(-self.fall * 0.01, 0.0, 0.0, 0.0, self.noise)
            self.track.advance(self.t, 0.01, motion)
            self.history.push((self.t, self.lift, 0.0, 0.0, self.roll, 0.0, 0.0))
            while (at := 0.008 * self.fired) + 0.02 <= self.t:
                self._fire(at, heard)
                self.fired += 1
        return self.track

    def _fire(self, at: float, heard: Heard) -> None:
        k = self.fired % 5
        flights = [2.0 * r / SOUND for r in heard(k, at)]
        echoes = tuple(Echo(at + f / 2, f) for f in flights)
        ping = RangePing("bar.left", at, Validity.OK, k, echoes)
        self.track.ping(ping, SOUND, self.history, self.gate)
        self.seen.append(self.track.uses[k])


@pytest.mark.parametrize("mm", SEEING)
@pytest.mark.parametrize("y", [-0.15, -0.06, 0.0, 0.11, 0.15])
def test_it_is_found_and_held_where_it_is(mm: int, y: float) -> None:
    run = Run()
    track = run.run(0.5, string(mm / 1000, y))
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(mm / 1000, abs=1e-4)
    assert track.filter.y == pytest.approx(y, abs=1e-3)


@pytest.mark.parametrize("mm", SEEING)
def test_every_element_ends_as_one_of_four(mm: int) -> None:
    """Element 2 is used, 1 comes 20 mm late, 3 is silent, 0 hears ground; at 800 mm the string."""
    c = mm / 1000
    run = Run()
    run.run(0.5, string(c, 0.0))

    def mixed(k: int, t: float) -> list[float]:
        ranges = string(c, 0.0)(k, t)
        return [] if k == 3 else [ranges[0] + 0.020] if k == 1 else ranges

    track = run.run(0.05, mixed)
    assert track.uses[1:4] == [Use.OUTLIER, Use.USED, Use.SILENT]
    assert track.uses[0] is (Use.GATED if c < 0.7 else Use.USED)
    assert set(run.seen) <= set(Use)


@pytest.mark.parametrize("mm", SEEING)
def test_before_a_pin_the_first_echo_in_the_gate_is_the_strings(mm: int) -> None:
    """A pin 50 mm proud stands outside a near half of 40 mm at any clearance: nothing moves."""
    c = mm / 1000
    run = Run(gate=Gate(c, *DATUM))
    run.run(0.5, string(c, 0.01))
    track = run.run(2.0, string(c, 0.01, ahead=PIN))
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(c, abs=2e-4)
    assert track.uses[2] is Use.USED


@pytest.mark.parametrize("mm", SEEING)
def test_over_a_pin_it_begins_with_the_string_behind(mm: int) -> None:
    track = Run().run(1.0, string(mm / 1000, 0.01, ahead=PIN))
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(mm / 1000, abs=1e-3)


@pytest.mark.parametrize("mm", SEEING)
@pytest.mark.parametrize("off_mm", [-45, 65])
def test_nothing_outside_the_gate_is_begun_with(mm: int, off_mm: int) -> None:
    """Both halves, 5 mm beyond; and 5 mm within, it is."""
    c, off = mm / 1000, off_mm / 1000
    inside = c + off - math.copysign(0.010, off)
    assert Run(gate=Gate(c, *DATUM)).run(1.0, string(c + off, 0.0)).link is Link.SEARCHING
    assert Run(gate=Gate(c, *DATUM)).run(1.0, string(inside, 0.0)).link is Link.TRACKING


@pytest.mark.parametrize("mm", SEEING)
def test_ground_alone_is_never_begun_with(mm: int) -> None:
    track = Run().run(2.0, lambda k, t: [mm / 1000 + 0.002 * math.sin(5.0 * k + t)])
    assert track.link is Link.SEARCHING


def test_an_echo_counts_at_its_own_instant() -> None:
    """Lowering at 120 mm/s, 20 ms late and 32 ms from first to last: 4 to 6 mm if taken as now."""
    run = Run(fall=0.12)

    def sinking(k: int, t: float) -> list[float]:
        return string(0.8 - 0.12 * (t + 0.7 / SOUND), 0.02)(k, t)

    track = run.run(1.0, sinking)
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(0.8 - 0.12 * run.t, abs=5e-4)


@pytest.mark.parametrize("roll", [-0.06, 0.02, 0.06])
def test_an_edge_stays_level_when_the_bar_rolls(roll: float) -> None:
    """120 mm of level top, h below the bar's middle: each element's foot by rotation on paper."""
    h, across, half = 0.6, 0.03, 0.06

    def heard(k: int, _: float) -> list[float]:
        side, down = SPOTS[k] * math.cos(roll), h + SPOTS[k] * math.sin(roll)
        low, high = (side + down * math.tan(a * math.radians(12.0) + roll) for a in (-1, 1))
        foot = min(max(side, across - half), across + half)
        near = [math.hypot(down, foot - side)] if low <= foot <= high else []
        return [*near, down + GROUND]

    track = Run(guide=Guide.EDGE, width=2 * half, roll=roll).run(2.0, heard)
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(h, abs=1e-3)
    lateral = across * math.cos(roll) - h * math.sin(roll)
    assert track.filter.y == pytest.approx(lateral, abs=3e-3)


def test_a_windrow_out_of_the_beam_does_not_drag_the_lateral() -> None:
    """Element 0 cannot see a string at 150 mm; what it hears near its hyperbola is a heap."""
    run = Run()
    run.run(0.3, string(0.4, 0.15))

    def heaped(k: int, t: float) -> list[float]:
        return [math.hypot(0.4, 0.3)] if k == 0 else string(0.4, 0.15)(k, t)

    track = run.run(0.5, heaped)
    assert track.uses[0] is Use.GATED
    assert track.filter.y == pytest.approx(0.15, abs=1e-3)


def test_unseen_it_coasts_and_is_then_lost() -> None:
    run = Run()
    run.run(0.5, string(0.6, 0.0))
    assert run.run(0.2, lambda k, t: []).link is Link.COASTING
    assert run.run(LOST_S, lambda k, t: []).link is Link.SEARCHING


ROUGH = (4e-9, 3e-5, 2e-7, 1e-5)  # of one tick at 2 m/s over ISO 8608 class D


@pytest.mark.parametrize("off_mm", [-12.0, -8.0, 6.0, 12.0])
def test_after_a_gap_one_wrong_echo_does_not_shut_the_gate_on_the_string(off_mm: float) -> None:
    """Unseen for 0.17 s the gate is wide; then element 2 hears something else, the rest as ever.

    By hand: one echo of three in a frame is wrong, so within two frames the two have it back.
    """
    run, wrong = Run(noise=ROUGH), [off_mm / 1000]
    run.run(1.0, string(0.6, 0.0))
    run.run(0.17, lambda k, t: [])

    def heard(k: int, t: float) -> list[float]:
        if k == 2 and wrong:
            return [0.6 + wrong.pop()]
        return [] if wrong else string(0.6, 0.0)(k, t)

    track = run.run(0.12, heard)
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(0.6, abs=1.5e-3)
    assert track.uses.count(Use.USED) == 3


def test_after_a_gap_two_echoes_that_agree_are_believed() -> None:
    """The ground did lift the bar by 8 mm meanwhile: the second one says so too."""
    run = Run(noise=ROUGH)
    run.run(1.0, string(0.6, 0.0))
    run.run(0.17, lambda k, t: [])
    track = run.run(0.05, string(0.608, 0.0))
    assert track.link is Link.TRACKING
    assert track.filter.h == pytest.approx(0.608, abs=2e-3)


def test_a_stone_under_three_of_five_begins_nothing_over_a_surface() -> None:
    """Two silent, three over one stone that agree to 4 mm: not the surface."""
    stone = {2: 0.576, 3: 0.572, 4: 0.575}
    run = Run(guide=Guide.SURFACE)
    run.run(1.0, lambda k, t: [stone[k]] if k in stone else [])
    assert run.track.link is Link.SEARCHING
    assert run.run(0.5, lambda k, t: [0.6]).filter.h == pytest.approx(0.6, abs=1e-4)
