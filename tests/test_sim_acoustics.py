"""Echoes of the simulated bar: geometry against brute force, errors by counting."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drivers.simulated.acoustics import EchoErrors, first_arrivals, sound_speed
from drivers.simulated.beam import Beam, add_point, add_round
from drivers.simulated.footprint import Footprint, element_offsets
from drivers.simulated.heaps import Heaps
from drivers.simulated.path import Design, Path
from drivers.simulated.pose import Pose, axes
from drivers.simulated.reference import NOMINAL_SOUND, BarTruth
from drivers.simulated.scene import EdgeLine, StringLine, pin_chainages
from drivers.simulated.surface import Surface, flat, iso_8608
from drivers.simulated.world import Reference

HALF = math.radians(12.0)
COS = math.cos(HALF)
DESIGN = Design(Path([(80.0, 0.0)]), 0.0, 0.03, 0.02)
BEND = Design(Path([(20.0, 0.0), (20.0, 15.0), (20.0, 0.0)]), 0.0, 0.08, 0.02)
DRAWS = 60


def _beams(n_ref: float, design: Design, seed: int) -> list[tuple[Beam, float]]:
    """Elements some 0.6 m above a reference, leaning by up to 4 degrees."""
    gen = np.random.default_rng(seed)
    out = []
    for _ in range(DRAWS):
        s, n = float(gen.uniform(5.0, 50.0)), n_ref + float(gen.uniform(-0.2, 0.2))
        z = design.height(s, n) + 0.15 + float(gen.uniform(0.4, 0.8))
        pitch, roll = gen.uniform(-0.07, 0.07, 2).tolist()
        up = axes(Pose(0.0, 0.0, 0.0, 0.0, design.path.heading(s), pitch, roll, s, 0.0))[2]
        e = (*design.path.point(s, n), z)
        out.append((Beam(e, (-up[0], -up[1], -up[2]), COS), s))
    return out


def _in_beam(beam: Beam, points: np.ndarray) -> np.ndarray:
    """Distances of those points that lie in the beam."""
    d = points - np.array(beam.e)
    r = np.linalg.norm(d, axis=1)
    return np.asarray(r[d @ np.array(beam.a) >= COS * r])


@pytest.mark.parametrize("design", [DESIGN, BEND])
def test_string_against_dense_points(design: Design) -> None:
    """Its nearest point, if that lies in the beam (a thin wire answers square only)."""
    line = StringLine(design, 1.2, Reference(pins=False), np.random.default_rng(0))
    heard = 0
    for beam, s in _beams(1.2, design, 1):
        points = []
        for (p, q), sag in zip(
            zip(line.knots, line.knots[1:], strict=False), line.sag, strict=True
        ):
            if min(math.dist(p, beam.e), math.dist(q, beam.e)) < 7.0:
                u = np.linspace(0.0, 1.0, 60001)[:, None]
                chord = np.array(p) + u * (np.array(q) - np.array(p))
                chord[:, 2] -= (sag * 4.0 * u * (1.0 - u))[:, 0]
                points.append(chord)
        cloud = np.concatenate(points)
        r = np.linalg.norm(cloud - np.array(beam.e), axis=1)
        out: list[float] = []
        line.ranges(beam, s, out)
        if out:
            heard += 1
            assert out[0] == pytest.approx(r.min(), abs=5e-6)
        else:
            off = (cloud[r.argmin()] - np.array(beam.e)) @ np.array(beam.a) / r.min()
            assert off < COS + 1e-4
    assert 0 < heard < DRAWS


def test_edge_against_dense_points() -> None:
    edge = EdgeLine(DESIGN, 1.2, Reference("edge", width_m=0.12))
    heard = 0
    for beam, s in _beams(1.2, DESIGN, 2):
        ds, dn = np.meshgrid(np.linspace(-0.3, 0.3, 301), np.linspace(-0.06, 0.06, 121))
        x, y = beam.e[0] + ds.ravel(), 1.2 + dn.ravel()
        z = DESIGN.height(0.0, 1.2) + 0.15 + 0.03 * x
        seen = _in_beam(beam, np.stack([x, y, z], axis=1))
        out: list[float] = []
        edge.ranges(beam, s, out)
        heard += len(out)
        if out:
            assert out[0] == pytest.approx(seen.min(), abs=0.0015)
        elif seen.size:  # the rule leaves out only grazing corners of the beam
            assert seen.min() > 0.4 / math.cos(HALF) * 0.97
    assert heard > DRAWS // 2


def test_ball_against_dense_points() -> None:
    """Stones and windrows: first point of the ball within the beam, also past its rim."""
    gen = np.random.default_rng(3)
    shell = gen.standard_normal((200_000, 3))
    shell /= np.linalg.norm(shell, axis=1)[:, None]
    for beam, s in _beams(1.2, DESIGN, 4)[:30]:
        centre = (*DESIGN.path.point(s, 1.2), DESIGN.height(s, 1.2))
        for radius in (0.03, 0.15):
            seen = _in_beam(beam, np.array(centre) + radius * shell)
            out: list[float] = []
            add_round(beam, centre, radius, out)
            if seen.size > 50:
                assert out[0] == pytest.approx(seen.min(), abs=0.002)
            elif not seen.size:
                assert not out or out[0] > 0.5


def test_pin_top_stands_50_mm_proud_and_on_the_far_side() -> None:
    """By hand: 0.55 m above the top and 10 mm beside its middle: the disc is straight below."""
    line = StringLine(DESIGN, 1.2, Reference(), np.random.default_rng(0))
    x, y, z = line.knots[3]
    beam = Beam((x, y + 0.010, z + 0.60), (0.0, 0.0, -1.0), COS)
    out: list[float] = []
    line.ranges(beam, x, out)
    assert min(out) == pytest.approx(0.55)
    assert line.tops[3][1] == pytest.approx(1.21)
    right = StringLine(DESIGN, -1.2, Reference(), np.random.default_rng(0))
    assert right.tops[3][1] == pytest.approx(-1.21)


def test_pins_each_6_m_on_straights_and_closer_in_bends() -> None:
    pins = np.array(pin_chainages(BEND, Reference()))
    gaps = np.diff(pins)
    assert gaps.max() <= 6.0 + 1e-9
    in_bend = (pins[:-1] >= 20.0) & (pins[1:] <= 40.0)
    assert gaps[in_bend].max() <= 1.5
    assert {20.0, 40.0} <= set(pins.tolist())


def test_disc_by_hand() -> None:
    """0.1 m beside a disc of 8 mm, 0.5 m below: sqrt(0.5^2 + 0.092^2)."""
    out: list[float] = []
    add_point(Beam((0.0, 0.0, 0.5), (0.0, 0.0, -1.0), COS), (0.1, 0.0, 0.0), 0.008, out)
    assert out == pytest.approx([math.hypot(0.5, 0.092)])
    add_point(Beam((0.0, 0.0, 0.5), (0.0, 0.0, -1.0), COS), (0.13, 0.0, 0.0), 0.0, out)
    assert len(out) == 1  # 14.6 degrees off


def _footprint(ground: Surface, mean: float, pitch: float, roll: float) -> tuple[list[float], Pose]:
    bar = BarTruth()
    pose = Pose(0.0, 30.0, 0.0, 0.0, 0.0, pitch, roll, 30.0, 0.5)
    mid = (30.0, 1.2, DESIGN.height(30.0, 1.2) + 0.75)
    view = Footprint(bar, DESIGN, ground, mean, math.inf)
    frame = DESIGN.path.locate(30.0, 1.2, 30.0)
    return view.ranges(mid, pose, frame, axes(pose)[1]), pose


def test_footprint_on_a_plane_is_the_square_distance() -> None:
    """Blade level on a plane of 3 % and 2 %: vertical height over the plane times its cosine."""
    ranges, pose = _footprint(flat(), 0.02, 0.0, 0.0)
    for i, y in enumerate(element_offsets(BarTruth())):
        above = 0.75 - 0.02 * y - 0.02 - 0.03 * pose.speed * i * 0.008
        assert ranges[i] == pytest.approx(above / math.hypot(1.0, math.hypot(0.03, 0.02)), abs=2e-6)


def test_footprint_on_rough_ground_is_near_the_dense_minimum() -> None:
    ground = iso_8608(3, "D")
    ranges, pose = _footprint(ground, 0.02, -0.03, 0.02)
    left = axes(pose)[1]
    for i, y in enumerate(element_offsets(BarTruth())):
        e = np.array([30.0 + y * left[0], 1.2 + y * left[1], 0.75 + 0.924 + y * left[2]])
        e[0] += pose.speed * i * 0.008
        x, yy = (a.ravel() for a in np.meshgrid(*(np.linspace(-0.2, 0.2, 201),) * 2))
        z = 0.03 * (e[0] + x) + 0.02 * (e[1] + yy) + 0.02 + ground.sample(e[0] + x, e[1] + yy)
        up = axes(pose)[2]
        beam = Beam(tuple(e.tolist()), (-up[0], -up[1], -up[2]), COS)
        dense = _in_beam(beam, np.stack([e[0] + x, e[1] + yy, z], axis=1)).min()
        assert -0.001 < ranges[i] - dense < 0.006


def test_merging_keeps_the_first_of_a_burst() -> None:
    assert first_arrivals([0.70, 0.60, 0.63], 0.034, 3) == [0.60, 0.70]
    assert first_arrivals([0.55, 0.60, 0.75, 0.9], 0.034, 3) == [0.55, 0.60, 0.75]
    assert first_arrivals([0.55, 0.60], 0.034, 1) == [0.55]
    assert first_arrivals([], 0.034, 3) == []


def test_sound_speed_of_the_air() -> None:
    """checks.md: 331.3 sqrt(1 + t/273.15) at 20 C = 343.215 (confirmed)."""
    assert sound_speed(20.0) == pytest.approx(343.215, abs=0.001)


def _errors(**changes: float) -> EchoErrors:
    return EchoErrors(replace(BarTruth(), **changes), np.random.default_rng(7), 120.0)


def test_noise_is_1_mm_at_0_6_m_and_quantised_to_1_mm() -> None:
    errors = _errors(late=0.0, slip=0.0)
    r = np.array([errors.flights([0.6], NOMINAL_SOUND)[0] for _ in range(20_000)])
    r *= 0.5 * NOMINAL_SOUND
    assert np.allclose(r * 1e3, np.round(r * 1e3), atol=1e-6)
    assert r.std() == pytest.approx(math.hypot(1.0, 1.0 / math.sqrt(12.0)) * 1e-3, rel=0.03)
    assert r.mean() == pytest.approx(0.6, abs=3e-5)
    far = np.array([errors.flights([1.0], NOMINAL_SOUND)[0] for _ in range(20_000)])
    assert far.std() / r.std() * 0.5 * NOMINAL_SOUND == pytest.approx(1.65, rel=0.05)


def test_late_and_slipped_echoes_are_one_percent_each() -> None:
    errors = _errors(noise_m=0.0)
    flights = np.array([errors.flights([0.6], NOMINAL_SOUND)[0] for _ in range(100_000)])
    off = 0.5 * NOMINAL_SOUND * flights - 0.6
    late, slip = off > 0.0195, (np.abs(off) > 0.003) & (np.abs(off) < 0.006)
    assert late.mean() == pytest.approx(0.01, abs=0.001)
    assert slip.mean() == pytest.approx(0.01, abs=0.001)
    assert (off[slip] > 0).mean() == pytest.approx(0.5, abs=0.06)
    assert off.max() <= 0.1205


def test_dropouts_are_five_percent_and_come_in_bursts() -> None:
    errors = _errors(cluster_total_s=0.0)
    lost = np.array([errors.silent(0.04 * k, 2) for k in range(100_000)])
    assert lost.mean() == pytest.approx(0.05, abs=0.004)
    bursts = np.sum(lost[1:] & ~lost[:-1])
    assert lost.sum() / bursts == pytest.approx(3.0, rel=0.1)


def test_clusters_make_three_seconds_spread_through_the_run() -> None:
    errors = _errors(dropout=0.0)
    assert sum(b - a for a, b in errors.clusters) == pytest.approx(3.0)
    assert max(b - a for a, b in errors.clusters) <= 0.25
    starts = np.array([a for a, _ in errors.clusters])
    assert (np.diff(starts) > 0.0).all()
    assert (starts < 40.0).any() and (starts > 80.0).any()  # noqa: PT018
    silent = np.array([errors.silent(0.008 * k, k % 5) for k in range(15_000)])
    assert silent.sum() * 0.008 == pytest.approx(3.0, abs=0.15)


def test_no_heaps_no_echo() -> None:
    out: list[float] = []
    Heaps().ranges(Beam((0.0, 0.0, 1.0), (0.0, 0.0, -1.0), COS), 0.0, out)
    assert out == []
