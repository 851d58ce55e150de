"""Allan deviation against NIST SP 1065, coefficients against noise made with known ones."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_py.commission.allan import adev, coefficients, curve, oadev
from firmware_py.commission.estimate import CommissionError, Floats

# NIST Special Publication 1065 (Riley, 2008), p. 107: the NBS14 set and its deviations
NBS14 = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=np.float64)


def _thousand() -> Floats:
    """NIST SP 1065, p. 108: n' = 16807 n mod 2147483647 from 1234567890."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


def test_nbs14() -> None:
    assert adev(NBS14, 1) == pytest.approx(91.22945, abs=5e-6)
    assert adev(NBS14, 2) == pytest.approx(115.8082, abs=5e-5)
    assert oadev(NBS14, 1) == pytest.approx(91.22945, abs=5e-6)
    assert oadev(NBS14, 2) == pytest.approx(85.95287, abs=5e-6)


@pytest.mark.parametrize(
    ("m", "plain", "overlapping"),
    [
        (1, 2.922319e-1, 2.922319e-1),
        (10, 9.965736e-2, 9.159953e-2),
        (100, 3.897804e-2, 3.241343e-2),
    ],
)
def test_the_1000_point_set(m: int, plain: float, overlapping: float) -> None:
    """NIST SP 1065, p. 108."""
    y = _thousand()
    assert [round(v * 2147483647) for v in y[1:4]] == [395529916, 1209410747, 633705974]
    assert adev(y, m) == pytest.approx(plain, rel=2e-7)
    assert oadev(y, m) == pytest.approx(overlapping, rel=2e-7)


def test_white_noise_reads_its_own_density_at_one_second() -> None:
    """IEEE Std 952: sigma = N / sqrt(tau). White of sd s at f Hz has N = s / sqrt(f)."""
    y = 0.3 * np.random.default_rng(1).standard_normal(200_000)
    found = coefficients(*curve(y, 0.005))
    assert found.white == pytest.approx(0.3 / math.sqrt(200.0), rel=0.03)
    assert found.walk is None or found.walk < 0.02 * found.white


def test_a_walk_under_white_noise_is_told_apart() -> None:
    """IEEE Std 952: K sqrt(tau / 3); a walk of sd q a sample at f Hz has K = q sqrt(f)."""
    gen = np.random.default_rng(2)
    q = 2e-4
    y = 0.05 * gen.standard_normal(400_000) + np.cumsum(q * gen.standard_normal(400_000))
    found = coefficients(*curve(y, 0.01))
    assert found.white == pytest.approx(0.05 * 0.1, rel=0.1)
    assert found.walk == pytest.approx(q * 10.0, rel=0.3)


def test_a_ramp_is_told() -> None:
    """IEEE Std 952: R tau / sqrt(2), exactly, for a pure ramp."""
    found = coefficients(*curve(0.01 * np.arange(5000.0), 1.0))
    assert found.ramp == pytest.approx(0.01, rel=1e-3)
    assert found.white is None


@pytest.mark.parametrize("m", [0, 6, 9])
def test_too_few_values_are_refused(m: int) -> None:
    for deviation in (adev, oadev):
        with pytest.raises(CommissionError, match="no two groups"):
            deviation(NBS14, m)


def test_a_short_record_gives_no_curve() -> None:
    with pytest.raises(CommissionError, match="18 is the least"):
        curve(np.zeros(17), 1.0)
