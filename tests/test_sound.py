"""Speed of sound against published formulas, and against a fixed reflector."""

from __future__ import annotations

import math

import pytest
from closed_loop import changed, rig_of

from drivers.samples import AirSample, Echo, RangePing, Validity
from firmware_py.sense.senses import Senses
from firmware_py.sense.sound import PLAUSIBLE_MPS, speed_from_reflector, speed_of_sound
from firmware_py.settings import Rig

# Cramer, J. Acoust. Soc. Am. 93(5) 2510, 1993, p. 2514: 0 to 30 C, 75 to 102 kPa
A = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def cramer(t: float, humidity: float, p: float = 101325.0, xc: float = 400e-6) -> float:
    """Speed of sound, m/s; t in Celsius, relative humidity 0 to 1, pressure Pa, CO2 as a share."""
    k = t + 273.15
    enhance = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    vapour = math.exp(1.2811805e-5 * k * k - 1.9509874e-2 * k + 34.04926034 - 6353.6311 / k)
    xw = humidity * enhance * vapour / p
    a = A
    return (
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * xw
        + (a[6] + a[7] * t + a[8] * t**2) * p
        + (a[9] + a[10] * t + a[11] * t**2) * xc
        + a[12] * xw**2 + a[13] * p**2 + a[14] * xc**2 + a[15] * xw * p * xc
    )  # fmt: skip


@pytest.mark.parametrize(
    ("t", "dry", "half", "wet"),
    [
        (0.0, 331.448, 331.604, 331.759),
        (10.0, 337.459, 337.781, 338.103),
        (20.0, 343.359, 343.987, 344.613),
        (30.0, 349.148, 350.310, 351.469),
    ],
)
def test_dry_air_by_cramer_and_the_stated_effect_of_humidity(
    t: float, dry: float, half: float, wet: float
) -> None:
    """Cramer 1993: in dry air we lie within 0.05 percent; humid air is faster by what sound.py
    says, 0.1 to 0.6 percent (0.66 at 30 C and 100 percent), so never slower than ours."""
    assert cramer(t, 0.0) == pytest.approx(dry, abs=6e-4)
    assert cramer(t, 0.5) == pytest.approx(half, abs=6e-4)
    assert cramer(t, 1.0) == pytest.approx(wet, abs=6e-4)
    ours = speed_of_sound(t)
    assert ours == pytest.approx(dry, rel=5e-4)
    assert 0.0009 < wet / dry - 1.0 < 0.0067
    assert 0.0009 < wet / ours - 1.0 < 0.0072


@pytest.mark.parametrize("t", [-20.0, 0.0, 10.0, 20.0, 30.0, 40.0])
def test_dry_air_by_iso_9613_1(t: float) -> None:
    """ISO 9613-1: c = 343.2 sqrt(T / 293.15)."""
    iso = 343.2 * math.sqrt((t + 273.15) / 293.15)
    assert speed_of_sound(t) == pytest.approx(iso, abs=0.02)


def test_the_practical_formula_near_room_temperature() -> None:
    """331.3 + 0.606 t, its tangent at 0 C, and its printed 343.42 m/s at 20 C; ours 343.215."""
    assert speed_of_sound(20.0) == pytest.approx(343.215, abs=6e-4)
    slope = (speed_of_sound(0.01) - speed_of_sound(-0.01)) / 0.02
    assert slope == pytest.approx(0.606, abs=5e-4)
    for t in (-10.0, 0.0, 10.0, 20.0):
        assert speed_of_sound(t) == pytest.approx(331.3 + 0.606 * t, abs=0.21)
    assert speed_of_sound(0.0) == pytest.approx(331.45, abs=0.16)  # CRC Handbook, from memory


@pytest.mark.parametrize("t", [-60.1, 75.1, math.nan, math.inf, -math.inf])
def test_a_temperature_out_of_range_is_refused(t: float) -> None:
    with pytest.raises(ValueError, match="out of range; -60 to 75"):
        speed_of_sound(t)


def test_the_range_of_reflector_readings_is_that_of_the_thermometer() -> None:
    low, high = speed_of_sound(-60.0), speed_of_sound(75.0)
    assert 0.0 < low - PLAUSIBLE_MPS[0] < 4.0
    assert 0.0 < PLAUSIBLE_MPS[1] - high < 4.0


def test_speed_from_a_reflector_is_way_over_time() -> None:
    assert speed_from_reflector(0.3, 0.6 / 343.2) == pytest.approx(343.2)
    for flight in (0.0, -0.002, 0.6 / 289.0, 0.6 / 376.0, 1e-320, math.nan, math.inf):
        assert speed_from_reflector(0.3, flight) is None


def _reflecting() -> Rig:
    """The reference rig with a fixed target 300 mm from its second element."""
    rig = rig_of()
    bars = rig.model_dump(mode="json")["bars"]
    bars["left"] |= {"reflector_mm": 300.0, "reflector_element": 1}
    return changed(rig, bars=bars)


def _ping(t: float, element: int, sound: float, *ranges: float) -> RangePing:
    echoes = tuple(Echo(t + r / sound, 2.0 * r / sound) for r in ranges)
    return RangePing("bar.left", t, Validity.OK, element, echoes)


def test_a_reflector_puts_a_thermometer_right_that_is_5_k_off() -> None:
    """After 12 s (300 frames, a fiftieth each: 0.98^300 = 0.2 percent is left) of true 15 C."""
    senses, true = Senses(_reflecting()), speed_of_sound(15.0)
    for k in range(301):
        t = 40.0 + 0.04 * k
        if k % 25 == 0:
            senses.take(t, [AirSample("air", t, Validity.OK, 20.0)])
        if k == 0:
            assert senses.sound == speed_of_sound(20.0)
            continue
        pings = senses.take(t, [_ping(t - 0.03, 1, true, 0.3, 0.61)])
        assert [e.flight_s for e in pings[0].echoes] == [2 * 0.61 / true]
    assert senses.sound is not None
    left = (senses.sound - true) / (speed_of_sound(20.0) - true)
    assert left == pytest.approx(0.98**300, abs=1e-6)
    assert senses.air == pytest.approx(20.0)  # what the thermometer says stays what it says


def test_only_its_own_element_near_its_own_distance_is_a_reflector() -> None:
    """A string at 0.32 m (7 percent away) is kept, and so is 0.3 m on another element."""
    senses = Senses(_reflecting())
    senses.take(40.0, [AirSample("air", 40.0, Validity.OK, 20.0)])
    sound = senses.sound
    assert sound == speed_of_sound(20.0)
    other = _ping(39.9, 2, sound, 0.3, 0.6)
    string = _ping(39.91, 1, sound, 0.32, 0.6)
    assert senses.take(40.0, [other, string]) == [other, string]
    assert senses.sound == sound
    gone = senses.take(40.0, [_ping(39.92, 1, sound, 0.3)])
    assert gone == [RangePing("bar.left", 39.92, Validity.OK, 1, ())]


def test_without_a_reflector_no_echo_is_taken_out() -> None:
    senses = Senses(rig_of())
    senses.take(40.0, [AirSample("air", 40.0, Validity.OK, 20.0)])
    ping = _ping(39.9, 1, 343.2, 0.3)
    assert senses.take(40.0, [ping]) == [ping]
    senses.take(41.0, [AirSample("air", 41.0, Validity.OK, 15.0)])
    assert senses.air is not None
    assert senses.sound == speed_of_sound(senses.air)
