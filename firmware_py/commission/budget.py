"""An accuracy budget for a rig: what each source does to the led end, the other end, the crossfall.

JCGM 100 style: standard uncertainties (k = 1), added as squares; the whole is told at k = 2. The
datum takes out whatever stays as it was when it was set: only changes since then are in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from firmware_py.act.actuate import UNSURE_SHARE
from firmware_py.commission.estimate import CommissionError, K, rectangular
from firmware_py.commission.shares import Share, total
from firmware_py.messages import Side
from firmware_py.sense.ranging import NOISE_AT
from firmware_py.sense.sound import ZERO_CELSIUS_K
from firmware_py.settings import DEG, MM, Rig

STEADY_S = 0.3  # s of echoes that the filter takes together: about its own time constant


@dataclass(frozen=True)
class Conditions:
    """What the job and the commissioning say. Standard uncertainties where the name ends in _u."""

    speed_mps: float = 0.5
    air_k: float = 2.0  # how far the air may drift from the datum's, +-
    warm_k: float = 10.0  # and the inertial sensor: then the slope check is due
    tilt_zero_u: float = 0.012 * DEG  # rad; of the tilt zero found
    accel_per_k: float = 1e-4  # g/K = rad/K; datasheet LSM6DSO, 0.1 mg/K (from memory)
    tilt_noise_u: float = 0.05 * DEG  # rad; of the tilt while driving, see docs/computation.md
    lever_u: float = 0.003  # m; the bar's place along the edge
    grade: float = 0.02  # of the job along the way
    crab_u: float = 1.0 * DEG  # rad; heading against the way: common practice, no source
    mount_yaw_u: float = 0.25 * DEG
    ground_slope: float = 0.01  # rms slope of the tracks' way over a second: class C, about
    dead_time_u: float = 0.003  # s; of the dead time found
    roll_moves: float = 1.0 * DEG  # rad rms; how far the blade rolls from its datum's roll


@dataclass(frozen=True)
class Budget:
    """All lines, their sum, and which weighs most."""

    lines: tuple[Share[float], ...]
    total: Share[float]
    largest: str
    largest_of_crossfall: str

    def words(self) -> str:
        """One sentence in mm and %, k = 2."""
        t = self.total
        led, other = 1e3 * K * t.led, 1e3 * K * t.other
        return (
            f"Expect within {led:.1f} mm at the led end, {other:.1f} mm at the other and "
            f"{100.0 * K * t.crossfall:.2f} % of crossfall (k = 2); most of the height is "
            f"{self.largest}, most of the crossfall {self.largest_of_crossfall}."
        )


def budget(rig: Rig, now: Conditions = Conditions()) -> Budget:
    """The budget of a rig whose master end has a bar and whose other end follows the fall."""
    lines = (
        *_bar_lines(rig, now), *_tilt_lines(rig, now), _crab(rig, now), _late(rig, now),
        *_pulses(rig),
    )  # fmt: skip
    return Budget(
        lines, total("all", lines), max(lines, key=lambda one: one.led).name,
        max(lines, key=lambda one: one.crossfall).name,
    )  # fmt: skip


def _bar_lines(rig: Rig, now: Conditions) -> tuple[Share[float], ...]:
    """Noise after the filter, drift of the air, and the bar's place when the blade rolls."""
    side: Side = rig.control.master
    if side not in rig.bars:
        raise CommissionError(f"The {side.value} end has no bar; a budget begins at one.")
    bar = rig.bars[side]
    pings = max(1.0, STEADY_S / (bar.frame_ms * MM) * min(bar.elements, 3))
    clearance = bar.above_mm * MM
    one = math.hypot(bar.noise_mm * MM * clearance / NOISE_AT, bar.step_mm * MM / math.sqrt(12.0))
    air = 0.0 if bar.reflector_mm else clearance * rectangular(now.air_k) / (2.0 * ZERO_CELSIUS_K)
    lever = now.roll_moves * now.lever_u
    return tuple(
        Share(name, m, m, 0.0)
        for name, m in (
            ("range noise", one / math.sqrt(pings)), ("air temperature", air),
            ("the bar's place", lever),
        )
    )  # fmt: skip


def _tilt_lines(rig: Rig, now: Conditions) -> tuple[Share[float], ...]:
    """A tilt error turns the blade about the bar: the led end hangs `outside` from it."""
    bar = rig.bars[rig.control.master]
    outside, width = bar.outside_mm * MM, rig.blade.width_mm * MM
    drift = rectangular(now.warm_k) * now.accel_per_k
    out = []
    for name, u in (
        ("tilt bias", now.tilt_zero_u), ("tilt drift", drift), ("tilt noise", now.tilt_noise_u),
    ):  # fmt: skip
        # the datum takes out what stays; noise and drift of the roll remain in the led end
        led = 0.0 if name == "tilt bias" else outside * u
        out.append(Share(name, led, led + width * u, u))
    ahead = abs(bar.ahead_mm) * MM
    if ahead:
        pitch = math.hypot(drift, now.tilt_noise_u)
        out.append(Share("bar ahead of the edge", ahead * pitch, ahead * pitch, 0.0))
    return tuple(out)


def _crab(rig: Rig, now: Conditions) -> Share[float]:
    """A blade at yaw psi on a grade g lies at g sin(psi) besides; so does a turned sensor."""
    u = abs(now.grade) * math.hypot(now.crab_u, now.mount_yaw_u)
    return Share("crab and mounting yaw", 0.0, rig.blade.width_mm * MM * u, u)


def _late(rig: Rig, now: Conditions) -> Share[float]:
    """The ground moves on while command and oil are under way: speed times slope times the time
    that the prediction may be wrong by. Without valves a driver's delay is no part of this."""
    if rig.valves is None:
        return Share("dead time", 0.0, 0.0, 0.0)
    wrong = math.hypot(UNSURE_SHARE * rig.valves.dead_time_ms * MM, now.dead_time_u)
    rise = now.speed_mps * now.ground_slope * (wrong + 0.5 / rig.control.tick_hz)
    return Share("dead time", rise, rise, rise * math.sqrt(2.0) / (rig.blade.width_mm * MM))


def _pulses(rig: Rig) -> tuple[Share[float], ...]:
    """One pulse of an on/off valve moves its end by no less than full speed for the time that it is
    open: an error anywhere within half of that stays (rectangular, JCGM 100, 4.3.7)."""
    valves = rig.valves
    if valves is None or not valves.pulsed:
        return ()
    lost = {
        side: (one.lost_up_ms, one.lost_down_ms) for side, one in rig.calibration.valves.items()
    }
    least = [min(column) for column in zip(*lost.values(), strict=True)] or [0.0, 0.0]
    ways = zip((valves.up_mm_s, valves.down_mm_s), least, strict=True)
    most = max(speed * MM * (valves.pulse_ms - one) * MM for speed, one in ways)
    u = rectangular(0.5 * most)
    return (Share("pulses", u, u, u * math.sqrt(2.0) / (rig.blade.width_mm * MM)),)


def at_speed(rig: Rig, now: Conditions, speed_mps: float) -> Budget:
    """The same at another speed."""
    if not speed_mps >= 0.0:
        raise CommissionError(f"A speed of {speed_mps} m/s; at least 0 is right")
    return budget(rig, replace(now, speed_mps=speed_mps))
