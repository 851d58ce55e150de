"""Crab by plane kinematics on paper: a machine on two tracks, a blade and a bar ahead of them.

The track centre moves where the tracks point; heading > 0 turned left, lateral > 0 string to the
left. No filter of ours makes the truth, and no simulated rig.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from closed_loop import LEFT, RIGHT, rig_of

from firmware_py import snapshot
from firmware_py.fuse.blade import Blade
from firmware_py.fuse.moment import Attitude, Moment
from firmware_py.messages import Guide, Link

DT = 0.01  # s
AHEAD = 1.2  # m
RADIUS = 15.0  # m
SPAN = 1.5  # m between pins in a bend
NO_HANDS = {LEFT: False, RIGHT: False}
Course = Iterator[tuple[float, float, float]]  # yaw rate, lateral of the string, true crab


def drive(blade: Blade, course: Course, speed: float = 0.5) -> list[float]:
    """Error of the crab after every tick, rad; the string's lateral is known exactly."""
    track, errors = blade.tracks[LEFT], []
    for k, (yaw_rate, lateral, crab) in enumerate(course):
        now = 100.0 + DT * k
        track.link, track.used_s, track.filter.y = Link.TRACKING, now, lateral
        tilt = Attitude(0.0, 0.0, 0.0, 0.0, yaw_rate, 1e-6)
        blade.advance(now, Moment(DT, tilt, speed, NO_HANDS))
        errors.append(blade.crab - crab)
    return errors


def straight(heading: Callable[[float], float], seconds: float, speed: float = 0.5) -> Course:
    """Along a straight string with a heading that changes with the way."""
    y, last = 0.0, heading(0.0)
    for k in range(round(seconds / DT)):
        angle = heading(speed * DT * k)
        y += speed * math.sin(angle) * DT
        yield (angle - last) / DT, -(y + AHEAD * math.sin(angle)), angle
        last = angle


def bend(seconds: float, speed: float = 0.5) -> Course:
    """Round a left bend along a string on pins, steered by the lateral: it has a corner at each."""
    half = math.pi * 2 / round(2 * math.pi * RADIUS / SPAN) / 2  # of the angle between two pins
    psi = math.pi / 2 - math.asin(AHEAD / RADIUS)
    x = RADIUS * math.cos(0.0) - AHEAD * math.cos(psi)
    y = RADIUS * math.sin(0.0) - AHEAD * math.sin(psi)
    for _ in range(round(seconds / DT)):
        bx, by = x + AHEAD * math.cos(psi), y + AHEAD * math.sin(psi)
        at = math.atan2(by, bx)
        off = at - (math.floor(at / (2 * half)) * 2 + 1) * half
        string = RADIUS * math.cos(half) / math.cos(off)  # the chord's distance from the centre
        lateral = math.hypot(bx, by) - string
        yaw_rate = speed / RADIUS + 0.5 * lateral
        yield yaw_rate, lateral, math.remainder(psi - at - math.pi / 2, 2 * math.pi)
        psi += yaw_rate * DT
        x, y = x + speed * math.cos(psi) * DT, y + speed * math.sin(psi) * DT


def rms_deg(errors: list[float]) -> float:
    return math.degrees(float(np.sqrt(np.mean(np.square(errors)))))


@pytest.mark.parametrize("speed", [0.5, 1.0])
def test_a_crab_that_stays_is_known_within_5_m(speed: float) -> None:
    """3 degrees, as on slipping ground: 98 % of it after four times the drift's 1.25 m."""
    crab = math.radians(3.0)
    errors = drive(Blade(rig_of()), straight(lambda _: crab, 5.0 / speed, speed), speed)
    assert abs(errors[-1]) < 0.02 * crab


def test_backing_along_the_string_shows_the_same_crab() -> None:
    crab = math.radians(3.0)
    errors = drive(Blade(rig_of()), straight(lambda _: crab, 10.0, -0.5), -0.5)
    assert abs(errors[-1]) < 0.02 * crab


def test_the_corners_of_a_string_in_a_bend_hardly_show() -> None:
    """Each corner is 5.7 degrees, and the driver steers at it; the mean crab is asin(a / R)."""
    course = list(bend(60.0))
    late = slice(2000, None)
    errors = drive(Blade(rig_of()), iter(course))
    mean = math.degrees(float(np.mean([crab for _, _, crab in course[late]])))
    assert mean == pytest.approx(-math.degrees(math.asin(AHEAD / RADIUS)), abs=0.1)
    assert rms_deg(errors[late]) < 0.35
    assert abs(math.degrees(float(np.mean(errors[late])))) < 0.1


def test_a_new_sighting_of_the_string_is_no_drift() -> None:
    """Lost and found 80 mm further left: the blade has not turned."""
    blade = Blade(rig_of())
    drive(blade, straight(lambda _: 0.0, 4.0))
    blade.tracks[LEFT].reset()
    tilt = Attitude(0.0, 0.0, 0.0, 0.0, 0.0, 1e-6)
    blade.advance(104.0, Moment(DT, tilt, 0.5, NO_HANDS))
    track = blade.tracks[LEFT]
    track.link, track.used_s, track.filter.y = Link.TRACKING, 104.01, 0.08
    blade.advance(104.01, Moment(DT, tilt, 0.5, NO_HANDS))
    assert blade.crab == pytest.approx(0.0, abs=1e-9)


def test_over_a_surface_the_lean_is_no_drift() -> None:
    blade = Blade(rig_of())
    blade.tracks[LEFT].guide = Guide.SURFACE
    drive(blade, straight(lambda s: 0.1 * s, 4.0))
    assert blade.drift == 0.0


def test_a_snapshot_goes_on_with_the_same_crab() -> None:
    course = list(straight(lambda s: 0.05 * math.sin(s), 8.0))
    one, other = Blade(rig_of()), Blade(rig_of())
    drive(one, iter(course[:400]))
    snapshot.put(other, snapshot.take(one))
    assert drive(one, iter(course[400:])) == drive(other, iter(course[400:]))
