"""Chainage: how its uncertainty grows, by hand, and what a marked pin does to it."""

from __future__ import annotations

import math

import pytest

from firmware_py.guide.chainage import MARK_SD, START_SD, Chainage

PINS = [(0.0, "P1"), (12.0, "P2"), (24.0, "P3"), (24.6, "P4"), (36.0, "")]


def driven(place: Chainage, *distances: float | None) -> Chainage:
    for distance in distances:
        place.update(distance)
    return place


def along(place: Chainage, first: float, last: float, step: float = 0.05) -> Chainage:
    count = round(abs(last - first) / step)
    return driven(place, *(first + (last - first) * k / count for k in range(count + 1)))


def test_sd_by_hand() -> None:
    """0.2 m at the start and 1 % of 30 m: sqrt(0.04 + 0.09) = 0.3606 m; 40 m: 0.4472 m."""
    place = along(Chainage(5.0, 1, PINS), 100.0, 130.0)
    assert place.at == pytest.approx(35.0)
    assert START_SD == 0.2
    assert place.sd == pytest.approx(math.sqrt(0.04 + 0.09), abs=1e-9)
    along(place, 130.0, 120.0)  # back: the chainage falls, what is unsure does not
    assert place.at == pytest.approx(25.0)
    assert place.sd == pytest.approx(math.sqrt(0.04 + 0.16), abs=1e-9)


def test_against_chainage_it_falls() -> None:
    place = along(Chainage(50.0, -1, PINS), 0.0, 20.0)
    assert place.at == pytest.approx(30.0)
    assert place.next_pin() == (24.6, "P4")


def test_a_pin_nearby_corrects_it() -> None:
    """After 12.4 m by the sensor the edge is at P2: the sensor was 0.4 m off, sd 0.235 m."""
    place = along(Chainage(0.0, 1, PINS), 0.0, 12.4)
    assert place.mark() == ""
    assert (place.at, place.sd) == (12.0, MARK_SD)


def test_no_pin_near_is_refused_with_the_nearest() -> None:
    place = along(Chainage(0.0, 1, PINS), 0.0, 18.0)
    told = place.mark()
    assert told.startswith("no pin is near: the chainage is 18.00 m, sd 0.27 m; the nearest is")
    assert place.at == pytest.approx(18.0)


def test_two_pins_near_are_refused_until_one_is_named() -> None:
    place = along(Chainage(0.0, 1, PINS), 0.0, 24.3)
    assert "P3 at 24.00 m and P4 at 24.60 m" in place.mark()
    assert place.mark("P4") == ""
    assert place.at == 24.6


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("P9", "0 pins of this job are named 'P9'; one is right"),
        ("P2", "pin P2 at 12.00 m is not near: the chainage is 0.00 m, sd 0.20 m"),
    ],
)
def test_a_name_that_cannot_be_is_refused(name: str, told: str) -> None:
    assert driven(Chainage(0.0, 1, PINS), 7.0).mark(name) == told


def test_a_job_without_pins_says_so() -> None:
    assert "no pins" in driven(Chainage(0.0, 1, []), 7.0).mark()


def test_a_sensor_that_jumps_loses_it_until_a_pin_is_named() -> None:
    place = driven(Chainage(0.0, 1, PINS), 5.0, 5.9, 5.9 + 1.01)
    assert not place.known
    assert place.at == pytest.approx(0.9)
    assert place.mark() == "the chainage is lost; name the pin"
    assert place.mark("P2") == ""
    assert place.known
    assert place.at == 12.0


def test_without_a_distance_sensor_each_mark_is_the_next_pin() -> None:
    place = driven(Chainage(0.0, 1, PINS), None, None)
    assert not place.known
    found = []
    for _ in range(5):
        found.append((place.mark(), place.at))
    assert found[:4] == [("", 12.0), ("", 24.0), ("", 24.6), ("", 36.0)]
    assert found[4] == ("that was the last pin of this job", 36.0)
