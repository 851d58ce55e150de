"""How well the record knows what the edge did: standard uncertainties combined as JCGM 100 has it.

All terms are standard (k = 1), in m at the led end, m at the other end, or as a ratio of
crossfall; told at k = 2. Terms of one cause at several places are added before they are squared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from firmware_py.asgraded.chainage import Along, datum_ticks
from firmware_py.asgraded.columns import Floats
from firmware_py.commission.budget import Conditions
from firmware_py.commission.estimate import K, rectangular
from firmware_py.commission.shares import Share
from firmware_py.messages import Guide, Side
from firmware_py.sense.sound import ZERO_CELSIUS_K
from firmware_py.settings import DEG, MM

TILT_SHARE = 0.5  # of the filter's own sd of the crossfall; its error was 0.42 of it (report.md)
LAG_SHARE = 0.5  # of what a slow thermometer lags behind: its correction is good to the half
BOW = math.sqrt(8.0 / 15.0 - 4.0 / 9.0)  # sd of the parabola 4u(1-u) over a span; its mean is 2/3
ZERO_LIMIT = 0.05 * DEG  # rad; what a tilt zero must pass, and no more is known without one
YAW_LIMIT = 1.0 * DEG  # rad; how a sensor is mounted by eye: common practice, no source
SOURCE_LOG, SOURCE_ASSUMED, SOURCE_STORED = "the log", "assumed", "stored"


@dataclass(frozen=True)
class Known:
    """A standard uncertainty that no log holds, and where it comes from."""

    u: float
    source: str = SOURCE_ASSUMED


@dataclass(frozen=True)
class Assumed:
    """What the report takes for granted unless it is told better. SI units, k = 1."""

    reference: Known = Known(1.0 * MM)  # level of the pins, form or strip: common practice
    datum: Known = Known(0.0)  # level at which the driver set the datum
    tilt_zero: Known = Known(rectangular(ZERO_LIMIT))
    mount_yaw: Known = Known(YAW_LIMIT)
    air: Known = Known(0.3)  # K; a shaded thermometer against the air in the beam
    span_m: float = 6.0  # between pins, for the sag; a job's own pins tell it better
    span_source: str = SOURCE_ASSUMED
    weight_n_per_m: float = 0.03  # of the string: 2 mm line, common practice
    tension_n: float = 150.0  # the same
    rest: Conditions = field(default_factory=Conditions)


@dataclass(frozen=True)
class Doubt:
    """All terms of a run, and their sums: u of the led end, the other end (m), the crossfall."""

    terms: tuple[Share[Floats], ...]
    led: Floats
    other: Floats
    crossfall: Floats


def doubt(trip: Along, assumed: Assumed) -> Doubt:
    """Standard uncertainties of each tick; NaN where the error itself is not known."""
    terms = (*_bar_terms(trip, assumed), *_reference_terms(trip, assumed),
             *_tilt_terms(trip, assumed))  # fmt: skip
    led, other, crossfall = (
        _root([getattr(term, of) for term in terms]) for of in ("led", "other", "crossfall")
    )
    shown = trip.master.other if _own(trip) else trip.master  # whose error the other end leans on
    return Doubt(terms, led * _seen(trip, trip.master), other * _seen(trip, shown), crossfall)


def _own(trip: Along) -> bool:
    """Whether the other end has a bar of its own, and with it the led end's terms."""
    return trip.master.other in trip.led


def _seen(trip: Along, side: Side) -> Floats:
    """1 where the error of that end is known, else NaN."""
    return np.where(np.isfinite(trip.columns.ends[side].error), 1.0, np.nan)


def _share(trip: Along, name: str, source: str, led: Floats, crossfall: Floats) -> Share[Floats]:
    """The other end follows the crossfall, led + width * crossfall of one cause, or its own bar."""
    other = led if _own(trip) else led + trip.run.width * crossfall
    return Share(name, led, other, crossfall, source)


def _root(parts: list[Floats]) -> Floats:
    """Root of the sum of squares (JCGM 100, 5.1.2, uncorrelated)."""
    total: Floats = np.sqrt(np.sum(np.square(np.stack(parts)), axis=0))
    return total


def _flat(trip: Along, value: float) -> Floats:
    return np.full(len(trip.columns), value)


def _bar_of(trip: Along) -> dict[str, float]:
    bar = trip.run.bar(trip.run.master) or {}
    return {key: float(bar.get(key) or 0.0) for key in ("above_mm", "outside_mm")}


def _bar_terms(trip: Along, assumed: Assumed) -> list[Share[Floats]]:
    """The filter's own noise, now and when the datum was taken; the air; the bar's place."""
    end, none = trip.columns.ends[trip.master], _flat(trip, 0.0)
    noise = np.nan_to_num(end.clearance_sd, nan=0.0)
    at = datum_ticks(trip, trip.master)
    taken = np.where(at >= 0, noise[np.maximum(at, 0)], 0.0)
    clearance = np.nan_to_num(end.clearance, nan=_bar_of(trip)["above_mm"] * MM)
    air = clearance * air_doubt(trip, assumed) / (2.0 * ZERO_CELSIUS_K)
    rest = assumed.rest
    return [
        _share(trip, "range noise after the filter", SOURCE_LOG, noise, none),
        _share(trip, "range noise when the datum was set", SOURCE_LOG, taken, none),
        _share(trip, "air in the beam, since the datum", assumed.air.source, air, none),
        _share(trip, "the bar's place, as the blade rolls", SOURCE_ASSUMED,
             _flat(trip, rest.roll_moves * rest.lever_u), none),
        _share(trip, "level at which the datum was set", assumed.datum.source,
             _flat(trip, assumed.datum.u), none),
    ]  # fmt: skip


def air_doubt(trip: Along, assumed: Assumed) -> float:
    """K; the thermometer now and at the datum, and half of what it lags by the run's trend."""
    air = trip.columns.air_c[np.isfinite(trip.columns.air_c)]
    lag = float((trip.run.settings.get("air") or {}).get("lag_s") or 0.0)
    if (trip.run.bar(trip.run.master) or {}).get("reflector_mm"):
        return 0.0
    if air.size < 2:
        return rectangular(assumed.rest.air_k)
    whole = float(trip.columns.time[-1] - trip.columns.time[0])
    late = LAG_SHARE * lag * abs(float(air[-1] - air[0])) / max(whole, 1.0)
    return math.hypot(math.sqrt(2.0) * assumed.air.u, late)


def _reference_terms(trip: Along, assumed: Assumed) -> list[Share[Floats]]:
    """Where the reference itself stands against its level: both now and at the datum.

    The sag w L^2 / 8 T runs as 4u(1-u) along a span; where in it the datum was is not known.
    """
    none, ref = _flat(trip, 0.0), assumed.reference
    guide = trip.run.settings.get(trip.run.master.value, {}).get("guide")
    if guide != Guide.STRING:
        both = math.sqrt(2.0) * ref.u
        return [_share(trip, f"level of the {guide}, now and at the datum", ref.source,
                     _flat(trip, both), none)]  # fmt: skip
    pins = ref.u * np.sqrt(2.0 * (alike(np.zeros(1)) - alike(_from_datum(trip) / assumed.span_m)))
    sag = assumed.weight_n_per_m * assumed.span_m**2 / (8.0 * assumed.tension_n)
    return [
        _share(trip, "level of the pins, now and at the datum", ref.source, pins, none),
        _share(trip, "sag of the string between pins", assumed.span_source,
             _flat(trip, math.sqrt(2.0) * BOW * sag), none),
    ]  # fmt: skip


def alike(spans: Floats) -> Floats:
    """Covariance of a string's height at two places so many spans apart, in pins' variances.

    Pins err independently and the string is straight between them, so that it is the cubic
    B-spline, whichever way the pins stand: 2/3 at 0, 1/6 at 1, none from 2 on.
    """
    t = np.minimum(np.abs(spans), 2.0)
    near = 2.0 / 3.0 - t**2 + 0.5 * t**3
    far = (2.0 - t) ** 3 / 6.0
    found: Floats = np.where(t < 1.0, near, far)
    return found


def _from_datum(trip: Along) -> Floats:
    """Way from where the datum was set, m; without a distance as far as can be."""
    at = datum_ticks(trip, trip.master)
    if trip.by_time:
        return _flat(trip, math.inf)
    away: Floats = np.abs(trip.at - trip.at[np.maximum(at, 0)])
    return np.where(at >= 0, away, np.inf)


def _tilt_terms(trip: Along, assumed: Assumed) -> list[Share[Floats]]:
    """A wrong roll turns the blade about the bar, which hangs `outside` beside the led end.

    The datum takes out of the led end what stays as it was (zero); what wanders stays in it.
    """
    c, rest = trip.columns, assumed.rest
    out = _bar_of(trip)["outside_mm"] * MM
    noise = TILT_SHARE * np.nan_to_num(c.crossfall_sd, nan=0.0)
    warmed = np.abs(c.chip_c - _calibrated_at(trip))
    warmed = np.where(np.isfinite(warmed), warmed, rectangular(rest.warm_k))
    drift = rest.accel_per_k * warmed
    pitch = np.abs(np.nan_to_num(c.pitch, nan=0.0))
    slow = np.abs(_mean_pitch(trip))
    none = _flat(trip, 0.0)
    return [
        _share(trip, "tilt while driving", SOURCE_LOG, out * noise, noise),
        _share(trip, "tilt zero", assumed.tilt_zero.source, none, _flat(trip, assumed.tilt_zero.u)),
        _share(trip, "tilt drift as the sensor warms", "the log and the datasheet",
               out * drift, drift),
        _share(trip, "mounting yaw of the sensor", assumed.mount_yaw.source, none,
             pitch * assumed.mount_yaw.u),
        _share(trip, "crab on the grade", SOURCE_ASSUMED, none, _flat(trip, slow * rest.crab_u)),
    ]  # fmt: skip


def _calibrated_at(trip: Along) -> float:
    """Chip temperature that the zero holds for: that of the log's first reading."""
    known = trip.columns.chip_c[np.isfinite(trip.columns.chip_c)]
    return float(known[0]) if known.size else math.nan


def _mean_pitch(trip: Along) -> float:
    """The grade as the run's mean pitch, rad; 0 where none is known."""
    known = trip.columns.pitch[trip.graded & np.isfinite(trip.columns.pitch)]
    return float(known.mean()) if known.size else 0.0


def expanded(u: Floats) -> Floats:
    """Half width of the k = 2 interval."""
    wide: Floats = K * u
    return wide
